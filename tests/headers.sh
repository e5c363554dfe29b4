#!/bin/sh
# Each public header compiles by itself and twice over, as C11 and as C++17.
#   headers.sh INCLUDE_FOLDER C_COMPILER...
set -u
include=$1
shift
failed=0

try() { # try LANGUAGE COMPILER... : the header's name is in $header
  language=$1
  shift
  printf '#include <underdigit/%s>\n#include <underdigit/%s>\nextern int after;\n' "$header" "$header" |
    "$@" -Wall -Wextra -Wpedantic -Werror -fsyntax-only -I"$include" -x "$language" - || {
    echo "underdigit/$header does not compile alone as $language"
    failed=1
  }
}

count=0
for path in "$include"/underdigit/*.h; do
  header=${path##*/}
  count=$((count + 1))
  try c "$@" -std=c11
  if command -v c++ >/dev/null 2>&1; then
    try c++ c++ -std=c++17
  fi
done
[ "$count" -gt 0 ] || { echo "no header in $include/underdigit"; failed=1; }
echo "$count headers"
exit "$failed"
