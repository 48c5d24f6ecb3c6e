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
# Generated files: made again in a copy, and compared.
copy=$(mktemp -d)
trap 'rm -rf "$copy"' EXIT
for f in $(git ls-files "*.templ" "*_templ.go"); do
	mkdir -p "$copy/$(dirname "$f")"
	cp "$f" "$copy/$f"
done
go tool -modfile=tools.mod templ generate -path "$copy" >/dev/null 2>&1
for f in $(git ls-files '*_templ.go'); do
	if ! cmp -s "$f" "$copy/$f"; then
		echo "$f is not up to date: run make gen" >&2
		exit 1
	fi
done
echo "format, vet, staticcheck and generated files: nothing found"
