#!/bin/sh
# What the shared library exports is what docs/abi.txt lists and what the
# public headers declare.
#   abi.sh LIBRARY ABI_FILE INCLUDE_FOLDER
set -u
library=$1
listed=$2
include=$3
scratch=$(mktemp -d) || exit 1
trap 'rm -rf "$scratch"' EXIT

# The sanitizers export helpers of their own.
nm -D --defined-only "$library" | awk '{ print $NF }' | sed 's/@.*//' |
  grep -vE '^(__asan|__odr_asan|__ubsan|__sanitizer)' | LC_ALL=C sort >"$scratch/exported"
grep -v '^#' "$listed" | LC_ALL=C sort >"$scratch/listed"
cat "$include"/underdigit/*.h | tr '\n' ' ' | grep -oE 'UDG_API [^;(]*\(' |
  grep -oE 'udg_[a-z0-9_]+\($' | tr -d '(' | LC_ALL=C sort >"$scratch/declared"

failed=0
for other in exported declared; do
  diff -u "$scratch/listed" "$scratch/$other" || {
    echo "docs/abi.txt and what is $other differ"
    failed=1
  }
done
[ -s "$scratch/listed" ] || failed=1
exit "$failed"
