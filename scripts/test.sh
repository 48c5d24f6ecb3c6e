#!/bin/sh
# Runs every test and shows a line for each package, then the counts that the
# tests print: states walked, mutants caught, calls failed, processes killed.
# All of the output lies in build/test.log.
set -u
mkdir -p build
{
	go test -v -timeout "${MW_TIMEOUT:-30m}" "$@" ./... 2>&1
	echo $? >build/test.status
} | tee build/test.log | grep -aE --line-buffered '^(ok|FAIL|panic:)|^ *--- FAIL'
status=$(cat build/test.status)
echo
echo "counts:"
grep -aE '_test\.go:[0-9]+: .*(states in|same engine|mutants,|kills, |runs, each|accepted, |nodes of|single in the first|said 0|bytes above)' build/test.log | sed 's/^ *[a-z_]*_test\.go:[0-9]*: /  /'
if [ "$status" != 0 ]; then
	echo
	echo "the last lines of build/test.log about what failed:"
	grep -anE -B 3 -A 40 '^ *--- FAIL|^panic:' build/test.log | tail -n 200
fi
exit "$status"
