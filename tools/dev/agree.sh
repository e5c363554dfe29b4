#!/bin/sh
# Builds the command with gcc and clang, each at -O0 and -O3, inspects the committed close-ups
# with all four, and compares the answers (agree.py has the tolerances).
#   tools/dev/agree.sh [PHOTO...]        default: all of testimages/set
set -eu
cd "$(dirname "$0")/../.."
[ $# -gt 0 ] || set -- testimages/set/*.jpg
scratch=$(mktemp -d)
trap 'rm -rf "$scratch"' EXIT
answers=
for compiler in gcc clang; do
  for level in 0 3; do
    build=build-agree-$compiler-O$level
    [ -f "$build/build.ninja" ] ||
      CC=$compiler meson setup "$build" -Doptimization=$level -Ddebug=false >/dev/null
    ninja -C "$build" tools/underdigit >/dev/null
    for photo in "$@"; do
      truth=${photo%.*}.json
      name=$(python3 -c 'import json, sys; print(json.load(open(sys.argv[1]))["type"]["name"])' "$truth")
      reference=$(grep -l "\"name\": \"$name\"" testimages/references/*.json)
      "$build/tools/underdigit" inspect --json --reference "$reference" "$photo" || true
    done >"$scratch/$compiler-O$level"
    answers="$answers $scratch/$compiler-O$level"
  done
done
# shellcheck disable=SC2086 # a list of paths without spaces
python3 tools/dev/agree.py $answers
