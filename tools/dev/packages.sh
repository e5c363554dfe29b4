#!/bin/sh
# Installs the Debian 12 packages that building and testing need, and only when
# some are missing. Without root it asks sudo.
set -eu

build='gcc libc6-dev meson ninja-build pkg-config python3
  libcairo2-dev libexif-dev libfftw3-dev libfreetype-dev libjansson-dev
  libjpeg62-turbo-dev libpng-dev libsqlite3-dev nettle-dev'
tests='g++ binutils chromium cmake clang libclang-rt-dev libcmocka-dev libjpeg-turbo-progs netpbm
  python3-numpy python3-setuptools python3-wheel zlib1g-dev'

missing=
for package in $build $tests; do
  state=$(dpkg-query -W -f='${db:Status-Status}' "$package" 2>/dev/null || true)
  [ "$state" = installed ] || missing="$missing $package"
done
[ -n "$missing" ] || exit 0

as_root=
[ "$(id -u)" = 0 ] || as_root=sudo
echo "Installing Debian packages:$missing"
export DEBIAN_FRONTEND=noninteractive
$as_root apt-get update -q </dev/null
# shellcheck disable=SC2086 # a list of names
$as_root apt-get install -y -q --no-install-recommends $missing </dev/null
