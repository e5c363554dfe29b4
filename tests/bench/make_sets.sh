#!/bin/sh
# SPDX-License-Identifier: GPL-2.0-or-later
# Draws sets to measure and calibrate with: one folder a set, truth beside each
# picture.
#   tests/bench/make_sets.sh PROGRAM FOLDER [MIXED [PLAIN [SEED]]]
# PROGRAM  underdigit-testimages
# MIXED    pictures of all classes for each reference (200)
# PLAIN    plain pictures for each reference, for the rate of false flags (1700)
# SEED     1; take another to test what was tuned on the first
set -eu
program=$1
folder=$2
mixed=${3:-200}
plain=${4:-1700}
seed=${5:-1}
references=$(cd "$(dirname "$0")/../../testimages/references" && pwd)

mkdir -p "$folder"
for reference in "$references"/*.json; do
  name=$(basename "$reference" .json)
  # One process a reference keeps one core busy; two of them fit most machines.
  "$program" --reference "$reference" --output "$folder/mixed" --count "$mixed" \
    --seed "$seed" --name "$name" &
  "$program" --reference "$reference" --output "$folder/plain" --count "$plain" \
    --seed "$((seed + 1000))" --class clean --name "$name"
  wait
  # Another coin under other light, for several photos of one coin.
  "$program" --reference "$reference" --output "$folder/lamps" --count "$((mixed / 5 + 1))" \
    --seed "$((seed + 2000))" --lamps 4 --name "$name" &
  # The date anywhere, turned as it comes.
  "$program" --reference "$reference" --output "$folder/turned" --count "$((mixed / 2 + 1))" \
    --seed "$((seed + 3000))" --turn -30:30 --frame 1 --name "$name"
  wait
done
for set in mixed plain lamps turned; do
  printf '%s: %s pictures\n' "$set" "$(ls "$folder/$set" | grep -c 'jpg$')"
done
