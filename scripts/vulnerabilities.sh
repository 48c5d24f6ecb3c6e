#!/bin/sh
# Looks for known vulnerabilities without a network service: the database comes
# as a Go module, pinned here, and an index of it is made in a temporary folder.
set -eu
version=v0.0.0-20261105234957-e22db6528018
dir=$(go mod download -json "golang.org/x/vulndb@$version" | sed -n 's/.*"Dir": "\(.*\)",/\1/p')
work=$(mktemp -d)
trap 'chmod -R u+w "$work" && rm -rf "$work"' EXIT
cp -r "$dir" "$work/vulndb"
chmod -R u+w "$work/vulndb"
(cd "$work/vulndb" && go run ./cmd/indexdb -vulns data/osv -out "$work/db" >/dev/null)
go tool -modfile=tools.mod govulncheck -db "file://$work/db" ./...
