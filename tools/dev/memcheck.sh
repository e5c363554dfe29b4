#!/bin/sh
# The main path under valgrind memcheck: reference, decoding, inspection, words, JSON and
# picture of one committed close-up; any error or lost block of ours fails.
#   tools/dev/memcheck.sh [BUILD_FOLDER]      a build without sanitizers; default: build-memcheck
set -eu
cd "$(dirname "$0")/../.."
build=${1:-build-memcheck}
[ -f "$build/build.ninja" ] || meson setup "$build" -Doptimization=1 >/dev/null
ninja -C "$build" tools/underdigit
scratch=$(mktemp -d)
trap 'rm -rf "$scratch"' EXIT
try() {
  valgrind --quiet --leak-check=full --errors-for-leak-kinds=definite --show-leak-kinds=definite \
    --suppressions=tests/valgrind.supp --error-exitcode=99 "$build/tools/underdigit" "$@" ||
    [ $? -eq 1 ]
}
name=$(python3 -c 'import json; print(json.load(open("testimages/set/small-0002.json"))["type"]["name"])')
reference=$(grep -l "\"name\": \"$name\"" testimages/references/*.json)
try inspect --reference "$reference" --picture "$scratch/out.png" testimages/set/small-0002.jpg
try inspect --json --reference "$reference" testimages/set/small-0002.jpg README.md
echo "memcheck: no errors"
