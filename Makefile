# meterwright. The two commands of the README are `make run` and `make test`.

export GOTOOLCHAIN = go1.27.3
export GOFLAGS = -buildvcs=false

.PHONY: run visits build assets test soak bench gen check vulnerabilities clean

run: build ## serve the demonstration on this machine
	bin/meterwright serve --demo --data build/demo

visits: build ## carry out the example visits and print each one's story
	bin/meterwright visit run-all examples/visits

build: assets
	go build -trimpath -o bin/meterwright ./cmd/meterwright

assets: ## fonts and scripts of the pages, from npm
	sh web/build.sh

test: assets ## every test; what is missing is installed through apt where that is allowed
	sh scripts/need.sh
	sh scripts/test.sh

soak: assets ## the same tests at full counts
	sh scripts/need.sh
	MW_SOAK=1 MW_TIMEOUT=6h sh scripts/test.sh -p 1

bench: assets ## timings, as ratios where a reference is named; docs/figures.md keeps them
	go test -run '^$$' -bench . -benchtime 1s ./...

gen: ## Go files of the pages
	go tool -modfile=tools.mod templ generate -path .

check: ## format, vet, staticcheck, generated files up to date
	sh scripts/check.sh

vulnerabilities: ## known vulnerabilities, from a pinned copy of the database
	sh scripts/vulnerabilities.sh

clean:
	rm -rf bin build
