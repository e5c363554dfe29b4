#!/bin/sh
# Builds, and inspects the committed pictures. Leaves in try-results/ the answers
# in words, the same as JSON, and a picture for each photo.
set -eu
cd "$(dirname "$0")/../.."

sh tools/dev/packages.sh
[ -f build-try/build.ninja ] || meson setup build-try --buildtype=release
ninja -C build-try tools/underdigit

set=testimages/set
out=try-results
rm -rf "$out"
mkdir -p "$out/pictures"

# 1 is an answer too: some photo cannot tell.
inspect() {
  build-try/tools/underdigit inspect "$@" || [ $? = 1 ]
}

# MANIFEST: file, class, seed, checksum, reference, options; parted by tabs.
for reference in $(grep -v '^#' "$set/MANIFEST" | cut -f 5 | sort -u); do
  photos=$(awk -F '\t' -v r="$reference" -v s="$set" '$5 == r { print s "/" $1 }' "$set/MANIFEST")
  # shellcheck disable=SC2086 # names without spaces
  inspect $photos --reference "testimages/references/$reference" \
    --picture "$out/pictures/found.png" >>"$out/answers.txt"
  # shellcheck disable=SC2086
  inspect $photos --reference "testimages/references/$reference" --json >>"$out/results.jsonl"
done

cat "$out/answers.txt"
echo
python3 tools/dev/table.py "$out/results.jsonl" | tee "$out/table.txt"
echo
echo "Look at $out/pictures/ and at $out/answers.txt, table.txt and results.jsonl."
