#!/bin/sh
# Builds with the address and undefined-behaviour sanitizers, fuzzes for a minute and
# runs every test; the last line counts them. Fails when one fails or none ran.
#   tools/dev/check.sh [BUILD_FOLDER]      default: build-check
set -eu
cd "$(dirname "$0")/../.."
build=${1:-build-check}

sh tools/dev/packages.sh
if [ -f "$build/build.ninja" ]; then
  meson setup --reconfigure "$build" >/dev/null
else
  meson setup "$build" -Db_sanitize=address,undefined -Db_lundef=false -Dwerror=true
fi
ninja -C "$build"

# Leaks count; an undefined operation ends the test that made it.
export ASAN_OPTIONS="detect_leaks=1:abort_on_error=0:${ASAN_OPTIONS:-}"
export UBSAN_OPTIONS="halt_on_error=1:print_stacktrace=1:${UBSAN_OPTIONS:-}"
status=0
UDG_FUZZ_SEED=1 sh tools/dev/fuzz.sh 60 "$build-fuzz" 2 || status=1
meson test -C "$build" --no-rebuild --print-errorlogs </dev/null || status=$?
python3 tools/dev/summary.py "$build/meson-logs/testlog.json" || status=1
exit "$status"
