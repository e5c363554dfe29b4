#!/bin/sh
# clang-tidy (.clang-tidy and tidy.txt say what is left out and why) and cppcheck (cppcheck.txt) over the
# library and the command; any finding fails.
#   tools/dev/lint.sh [BUILD_FOLDER]      a build with clang; default: build-lint
set -eu
cd "$(dirname "$0")/../.."
build=${1:-build-lint}
[ -f "$build/build.ninja" ] || CC=clang meson setup "$build" >/dev/null
ninja -C "$build" tools/page_parts.c >/dev/null
status=0
# A finding is named by its file and check; tidy.txt lists those that were looked at.
for source in lib/*.c tools/*.c; do
  clang-tidy --quiet -p "$build" "$source" 2>/dev/null
done | grep 'warning:' | sed 's#^[^ ]*/\(lib\|tools\)/#\1/#' | sort -u >"$build/tidy.all" || true
sed -n 's/^\([a-z_/]*\.[ch]\) \([a-zA-Z.-]*\)$/\1:.*\\[\2\\]/p' tools/dev/tidy.txt >"$build/tidy.known"
grep -v -f "$build/tidy.known" "$build/tidy.all" && status=1
cppcheck --quiet --enable=warning,performance,portability --std=c11 -D__x86_64__ -Iinclude -Ilib \
  -Itools -Itestimages --suppressions-list=tools/dev/cppcheck.txt --error-exitcode=1 \
  lib tools/*.c testimages || status=1
exit "$status"
