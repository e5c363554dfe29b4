#!/bin/sh
# gcc for the build FOLDER/slow of coverage.sh: counts the library, but for the files named here.
uncounted='align_system coin_edges coin_polar coin_votes face fft gram image light measure
  measure_blur plane pose relief rescale score_match spline stereo subspace taps template'
counted=0
for argument in "$@"; do
  case $argument in
  */lib/*.c) counted=1 ;;
  esac
  for name in $uncounted; do
    case $argument in
    */lib/"$name".c) counted=2 ;;
    esac
  done
done
compiles=0
for argument in "$@"; do
  [ "$argument" != -c ] || compiles=1
done
if [ $compiles = 1 ] && [ $counted != 1 ]; then
  count=$#
  while [ "$count" -gt 0 ]; do
    argument=$1
    shift
    [ "$argument" = --coverage ] || set -- "$@" "$argument"
    count=$((count - 1))
  done
fi
exec gcc "$@"
