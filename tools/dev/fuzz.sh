#!/bin/sh
# Builds the fuzz targets with clang and runs them in turn for a time; ends with a table of
# executions, processor seconds, coverage and findings.  Inputs found stay in
# BUILD_FOLDER/fuzz for the next run; so does the log of all runs, which the table sums.
#   tools/dev/fuzz.sh SECONDS [BUILD_FOLDER [JOBS [TARGET...]]]    default: build-fuzz 1 all
set -eu
cd "$(dirname "$0")/../.."
seconds=${1:?usage: tools/dev/fuzz.sh SECONDS [BUILD_FOLDER [JOBS [TARGET...]]]}
build=${2:-build-fuzz}
jobs=${3:-1}
if [ $# -gt 3 ]; then shift 3; else set --; fi

if [ ! -f "$build/build.ninja" ]; then
  CC=clang meson setup "$build" -Dfuzz=true -Doptimization=2 \
    -Db_sanitize=address,undefined -Db_lundef=false
fi
ninja -C "$build" fuzz-targets
exec python3 tools/dev/fuzz_run.py "$seconds" "$build" "$jobs" "$@"
