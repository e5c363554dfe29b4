#!/bin/sh
# SPDX-License-Identifier: GPL-2.0-or-later
# Draws the committed pictures anew and writes their MANIFEST.
#   testimages/make_set.sh PROGRAM [FOLDER]
# FOLDER: testimages/set unless given.
set -eu
program=$1
here=$(cd "$(dirname "$0")" && pwd)
set_folder=${2:-$here/set}
mkdir -p "$set_folder"
manifest=$set_folder/MANIFEST
printf '# file\tclass\tseed\tsha256\treference\toptions\n' > "$manifest"

# Name, number of the coin, reference, then what makes it so.
while read -r name start reference options; do
  test -n "$name" || continue
  # shellcheck disable=SC2086 # the options are words of their own
  "$program" --reference "$here/references/$reference.json" --output "$set_folder" \
    --name "$name" --seed 7 --start "$start" $options
  file=$(printf '%s-%04d' "$name" "$start")
  class=$(sed -n 's/^{\{0,1\}"cls": "\(.*\)",$/\1/p' "$set_folder/$file.json" | head -n 1)
  sum=$(sha256sum "$set_folder/$file.jpg" | cut -d ' ' -f 1)
  printf '%s.jpg\t%s\t7\t%s\t%s.json\t--name %s --seed 7 --start %s %s\n' \
    "$file" "$class" "$sum" "$reference" "$name" "$start" "$options" >> "$manifest"
done <<'RECIPES'
strong 6 vellacombe --class underdigit --digit-px 60:110 --strength 0.7:0.85
strong-sans 7 karrow --class underdigit --digit-px 60:110 --strength 0.6:0.8
middle 7 vellacombe --class underdigit --digit-px 60:110 --strength 0.4:0.5
weak 4 vellacombe --class underdigit --digit-px 60:110 --strength 0.14:0.24
turned 8 ostermere --class underdigit --date 1906 --digit-px 60:110 --strength 0.4:0.7 --turn 20:28
small 2 karrow --class underdigit --digit-px 26:32 --strength 0.6:0.8
hub 7 ostermere --class underdigit --date 1955 --digit-px 60:110 --strength 0.5:0.75
repunched 1 vellacombe --class repunched --digit-px 60:110 --strength 0.5:0.8
doubled 1 karrow --class doubled --digit-px 60:110
crack 6 vellacombe --class crack --digit-px 60:110
scratch 2 karrow --class scratch --digit-px 60:110
chip 6 ostermere --class chip --digit-px 60:110
fragment 8 vellacombe --class fragment --digit-px 60:110
clean 3 vellacombe --class clean --digit-px 60:110
clean-sans 8 karrow --class clean --digit-px 60:110
overhead 6 karrow --class underdigit --digit-px 60:110 --overhead
near-rim 1 karrow --class clean --digit-px 60:60 --design --frame 0.5
whole 7 vellacombe --class underdigit --strength 0.6:0.8 --whole --coin-px 440:440
both-sides 1 karrow --class clean --whole --coins 2 --both-sides --coin-px 240:240
tray 4 ostermere --whole --coins 6 --coin-px 150:150
RECIPES
