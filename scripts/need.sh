#!/bin/sh
# Sees that the programs which the tests compare with, or drive, are there:
# installs them through apt when it may, and otherwise says what is left out.
# With MW_STRICT=1 a missing program is an error.
set -u
want="chromium:chromium ngspice:ngspice pdftotext:poppler-utils pdftoppm:poppler-utils qpdf:qpdf strace:strace"
missing=""
for pair in $want; do
	command -v "${pair%%:*}" >/dev/null 2>&1 || missing="$missing ${pair##*:}"
done
missing=$(printf '%s\n' $missing | sort -u | tr '\n' ' ')
[ -z "$(echo $missing)" ] && exit 0
if command -v apt-get >/dev/null 2>&1 && [ "$(id -u)" = 0 ]; then
	echo "installing: $missing"
	log=$(mktemp)
	if apt-get update -qq >"$log" 2>&1 && DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends $missing >>"$log" 2>&1; then
		rm -f "$log"
		exit 0
	fi
	tail -n 5 "$log" >&2
fi
echo "NOT INSTALLED: $missing" >&2
echo "Install them to run every test, for example: apt-get install $missing" >&2
[ -n "${MW_STRICT:-}" ] && exit 1
echo "The tests that need them are LEFT OUT when MW_ALLOW_MISSING=1 is set, and fail otherwise." >&2
exit 0
