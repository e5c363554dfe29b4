#!/bin/sh
# SPDX-License-Identifier: GPL-2.0-or-later
# Redraws the pictures of method.md and limits.md from testimages/set.
#   docs/pictures/make.sh [PROGRAM]     PROGRAM: build/tools/underdigit
# Needs ImageMagick (Debian: imagemagick), which brings them down to 96 colours.
set -eu
program=${1:-build/tools/underdigit}
case $program in
/*) ;;
*) program=$PWD/$program ;;
esac
out=$(cd "$(dirname "$0")" && pwd)
cd "$out/../.."

scratch=$(mktemp)
trap 'rm -f "$scratch"' EXIT
for photo in weak-0004 clean-0003 scratch-0002 doubled-0001 small-0002; do
  reference=$(awk -F '\t' -v p="$photo.jpg" '$1 == p { print $5 }' testimages/set/MANIFEST)
  # 1 is an answer too: some photo cannot tell.
  "$program" inspect "testimages/set/$photo.jpg" --picture "$scratch" --picture-width 1000 \
    --reference "testimages/references/$reference" >/dev/null || [ $? = 1 ]
  convert "png:$scratch" -strip -dither None -colors 96 -define png:compression-level=9 \
    -define png:exclude-chunks=date,time "$out/$photo.png"
done
ls -l "$out"/*.png
