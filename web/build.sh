#!/bin/sh
# Copies the fonts and the script that the pages use from web/node_modules into
# internal/asset/dist, from where the program embeds them. Run it from anywhere.
set -eu
web=$(cd "$(dirname "$0")" && pwd)
dist=$web/../internal/asset/dist
cd "$web"
[ -d node_modules/idiomorph ] || npm ci --ignore-scripts --no-audit --no-fund
mkdir -p "$dist/fonts"
for face in Regular SemiBold Bold; do
	cp "node_modules/@ibm/plex-sans/fonts/complete/woff2/IBMPlexSans-$face.woff2" "$dist/fonts/"
done
for face in Regular Medium; do
	cp "node_modules/@ibm/plex-mono/fonts/complete/woff2/IBMPlexMono-$face.woff2" "$dist/fonts/"
done
cp node_modules/@ibm/plex-sans/LICENSE.txt "$dist/fonts/OFL.txt"
cp node_modules/idiomorph/dist/idiomorph.min.js "$dist/idiomorph.js"
cp node_modules/idiomorph/LICENSE "$dist/idiomorph-LICENSE.txt"
