#!/bin/sh
# SPDX-License-Identifier: GPL-2.0-or-later
# Redraws the pictures of method.md and limits.md from testimages/set, and those of
# known-dies.md and learning.md, whose commands it runs.
#   docs/pictures/make.sh [PROGRAM [GENERATOR]]
# PROGRAM: build/tools/underdigit; GENERATOR: build/testimages/underdigit-testimages
# Needs ImageMagick (Debian: imagemagick), which brings them down to 96 colours.
set -eu
program=${1:-build/tools/underdigit}
case $program in
/*) ;;
*) program=$PWD/$program ;;
esac
generator=${2:-build/testimages/underdigit-testimages}
case $generator in
/*) ;;
*) generator=$PWD/$generator ;;
esac
out=$(cd "$(dirname "$0")" && pwd)
cd "$out/../.."

scratch=$(mktemp)
folder=$(mktemp -d)
trap 'rm -rf "$scratch" "$folder"' EXIT
shrink() {
  convert "png:$1" -strip -dither None -colors 96 -define png:compression-level=9 \
    -define png:exclude-chunks=date,time "$2"
}
for photo in weak-0004 clean-0003 scratch-0002 doubled-0001 small-0002; do
  reference=$(awk -F '\t' -v p="$photo.jpg" '$1 == p { print $5 }' testimages/set/MANIFEST)
  # 1 is an answer too: some photo cannot tell.
  "$program" inspect "testimages/set/$photo.jpg" --picture "$scratch" --picture-width 1000 \
    --reference "testimages/references/$reference" >/dev/null || [ $? = 1 ]
  shrink "$scratch" "$out/$photo.png"
done

# The coin and the reference that known-dies.md describes.
ln -s "$PWD/testimages" "$folder/testimages"
"$generator" --reference testimages/references/tehlin.json --output "$folder" --name die --whole \
  --coin-px 850:900 --date 1843 --class clean --markers all --seed 3
"$program" inspect "$folder/die-0000.jpg" --date 1843 --picture-width 1000 \
  --reference testimages/references/tehlin.json --grid "$scratch" >/dev/null || [ $? = 1 ]
shrink "$scratch" "$out/known-die-grid.png"
(cd "$folder" && mkdir try-die && sed -n "/^    python3 - <<'END'/,/^    END/p" \
  "$out/../known-dies.md" | sed 's/^    //' | sed '/^END$/q' | sh)
"$program" inspect "$folder/die-0000.jpg" --date 1843 --picture-width 1000 \
  --reference "$folder/try-die/die.json" --picture "$scratch" >/dev/null || [ $? = 1 ]
shrink "$scratch" "$out/known-die-found.png"

# Outlines from close-ups, as learning.md has them.
"$generator" --reference testimages/references/karrow.json --output "$folder" --name c \
  --class clean --date 1924 --ideal --noise 4 --digit-px 60:100 --turn -3:3 --count 14 --seed 78
"$program" learn --box 22,21,239,110 --date 1924 --reference testimages/references/vellacombe.json \
  --output "$folder/near.json" "$folder"/c-*.png || [ $? = 1 ]
"$program" inspect "$folder/c-0000.png" --date 1924 --reference "$folder/near.json" \
  --picture "$scratch" --picture-width 700 >/dev/null || [ $? = 1 ]
shrink "$scratch" "$out/learned-outlines.png"
ls -l "$out"/*.png
