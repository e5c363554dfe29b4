#!/bin/sh
# Builds the library for 32 bits with all warnings as errors, links its tests against Debian's
# i386 libraries, unpacked into a folder of their own so that nothing is installed, and runs them.
#   tools/dev/m32.sh [FOLDER [TEST...]]     default: build-m32, the tests named below
# Needs gcc-multilib, and a network the first time.
set -eu
cd "$(dirname "$0")/../.."
folder=${1:-build-m32}
[ $# -eq 0 ] || shift
[ $# -gt 0 ] || set -- adequacy appearance bad_images base coin contour crossing evidence exif fft file \
  finding fragment gram image jpeg json light linalg markers_parse measure name outline outliner plane png pose \
  reference reference_place relief relit rescale residual result_json score stats stereo stray subspace \
  svgpath template trace upright
packages='libpng16-16 libpng-dev libjpeg62-turbo libjpeg62-turbo-dev libfftw3-single3 libfftw3-dev
  libexif12 libexif-dev libfreetype6 libfreetype-dev libjansson4 libjansson-dev libcmocka0
  libcmocka-dev zlib1g zlib1g-dev libbrotli1 libbz2-1.0'
mkdir -p "$folder/debs" "$folder/lists/partial" "$folder/objects"
folder=$(cd "$folder" && pwd)
root=$folder/root

if [ ! -d "$root" ]; then
  apt() {
    apt-get -q -o APT::Architectures::=amd64 -o APT::Architectures::=i386 \
      -o Dir::State::lists="$folder/lists" "$@"
  }
  apt update >"$folder/apt.log" 2>&1 || true
  # shellcheck disable=SC2046,SC2086 # lists of names
  (cd "$folder/debs" && apt download $(printf '%s:i386 ' $packages)) >>"$folder/apt.log" 2>&1
  for package in "$folder"/debs/*.deb; do
    dpkg-deb -x "$package" "$root.part"
  done
  mv "$root.part" "$root"
fi

here=$root/usr/lib/i386-linux-gnu
# As on any 32-bit x86 of this century: floats are what C says they are.
flags="-m32 -msse2 -mfpmath=sse -std=c11 -D_POSIX_C_SOURCE=200809L -O2 -Wall -Wextra -Wconversion
  -Wno-sign-conversion -Wshadow -Werror -Iinclude -Ilib -isystem $root/usr/include
  -isystem $root/usr/include/i386-linux-gnu -isystem $root/usr/include/freetype2"
count=0
for source in lib/*.c; do
  # shellcheck disable=SC2086 # a list of flags
  gcc $flags -c "$source" -o "$folder/objects/$(basename "$source" .c).o"
  # Once more as the oldest compilers' settings have it, x87 and all: warnings only.
  # shellcheck disable=SC2086
  gcc $flags -mfpmath=387 -fsyntax-only "$source"
  count=$((count + 1))
done
for source in tests/support.c tests/picture_check.c tests/stage_scene.c; do
  # shellcheck disable=SC2086
  gcc $flags -c "$source" -o "$folder/objects/$(basename "$source" .c).o"
done
echo "$count sources compile for 32 bits"

failed=0
for name; do
  # shellcheck disable=SC2086
  gcc $flags -Wno-error "-DUDG_TEST_DATA=\"$PWD/tests/data\"" "-DUDG_TESTIMAGES=\"$PWD/testimages\"" \
    "-DUDG_FUZZ_FOLDER=\"$PWD/tests/fuzz\"" "tests/test_$name.c" "$folder"/objects/*.o \
    -L"$here" -Wl,-rpath-link,"$here:$root/lib/i386-linux-gnu" -lcmocka -lpng16 -l:libz.so.1 -ljpeg -lexif \
    -lfftw3f -lfreetype -ljansson -lm -lpthread -L"$root/lib/i386-linux-gnu" -o "$folder/test_$name"
  if LD_LIBRARY_PATH=$here:$root/lib/i386-linux-gnu "$folder/test_$name" >"$folder/$name.log" 2>&1; then
    echo "$name passes"
  else
    echo "$name FAILS: $folder/$name.log"
    failed=1
  fi
done
exit "$failed"
