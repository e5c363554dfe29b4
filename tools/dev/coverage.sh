#!/bin/sh
# Lines and branches of lib/ that the tests run, as gcovr counts them: a table by file, sums last.
#   tools/dev/coverage.sh [FOLDER]       default: build-coverage; needs gcovr; takes an hour or so
# Counters make a loop many times as slow.  The files of innermost loops are counted in FOLDER/all,
# by the quick tests, which are theirs; in FOLDER/slow, for the long tests, they are not.
set -eu
cd "$(dirname "$0")/../.."
command -v gcovr >/dev/null || { echo "coverage.sh: gcovr is not installed" >&2; exit 1; }
folder=${1:-build-coverage}
mkdir -p "$folder"
folder=$(cd "$folder" && pwd)
source=$PWD
quick='adequacy appearance bad_images base bombs coin contour crossing evidence exif fft file
  finding fragment gram image jpeg json light linalg markers_parse measure name outline plane png
  pose python reference reference_place relief relit rescale residual result_json score stats stereo stray
  subspace svgpath template trace upright words'
slow='align coin_locate faults find hub inspect joint learn limits markers outliner pipeline register replay_inspect
  same_coin strike theory tray'

[ -f "$folder/all/build.ninja" ] ||
  meson setup "$folder/all" -Db_coverage=true -Doptimization=1 >/dev/null
[ -f "$folder/slow/build.ninja" ] ||
  CC=$source/tools/dev/count_cc.sh meson setup "$folder/slow" -Db_coverage=true \
    -Doptimization=3 >/dev/null
for build in all slow; do
  ninja -C "$folder/$build" >/dev/null
  [ $build = slow ] && tests=$slow || tests=$quick
  # shellcheck disable=SC2086 # a list of names
  meson test -C "$folder/$build" --no-rebuild -t 10 $tests || echo "not all passed: counted as far as they came"
  # gcovr keeps to the folder that it is called in.
  (cd "$folder/$build" && gcovr -r "$source" -f "$source/lib/.*" --json -o "$folder/$build.json" lib)
done
cd "$folder"
gcovr -r "$source" -a all.json -a slow.json
gcovr -b -r "$source" -a all.json -a slow.json | tail -4
