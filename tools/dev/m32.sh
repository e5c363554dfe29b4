#!/bin/sh
# Compiles every library source for 32 bits with all warnings as errors.  Only that: the
# libraries it stands on are seldom installed for 32 bits, so nothing is linked or run.
#   tools/dev/m32.sh        needs gcc-multilib
set -eu
cd "$(dirname "$0")/../.."
scratch=$(mktemp -d)
trap 'rm -rf "$scratch"' EXIT
# shellcheck disable=SC2046 # a list of flags
flags=$(pkg-config --cflags libpng libexif fftw3f freetype2 jansson)
# libjpeg's configuration header stands in a folder of the machine's kind.
arch=/usr/include/$(gcc -print-multiarch)
count=0
for source in lib/*.c; do
  # shellcheck disable=SC2086 # a list of flags
  gcc -m32 -std=c11 -D_POSIX_C_SOURCE=200809L -O2 -Wall -Wextra -Wconversion -Wno-sign-conversion \
    -Wshadow -Werror -Iinclude -Ilib $flags -idirafter "$arch" -c "$source" -o "$scratch/object.o"
  count=$((count + 1))
done
echo "$count sources compile for 32 bits"
