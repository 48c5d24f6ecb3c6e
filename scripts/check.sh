#!/bin/sh
# Format, vet, staticcheck, and generated files up to date.
set -eu
bad=$(gofmt -l $(git ls-files '*.go'))
if [ -n "$bad" ]; then
	echo "not formatted (run gofmt -w):" >&2
	echo "$bad" >&2
	exit 1
fi
go vet ./...
go tool -modfile=tools.mod staticcheck ./...
# Generated files are made again in place; a difference means that what was
# committed is old.
sums() { git ls-files -z '*_templ.go' | xargs -0 -r sha256sum; }
before=$(sums)
go tool -modfile=tools.mod templ generate -path . >/dev/null 2>&1
if [ "$before" != "$(sums)" ]; then
	echo "generated files were not up to date and have been made anew (make gen): commit them" >&2
	git --no-pager diff --stat -- '*_templ.go' >&2
	exit 1
fi
echo "format, vet, staticcheck and generated files: nothing found"
