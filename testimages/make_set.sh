#!/bin/sh
# SPDX-License-Identifier: GPL-2.0-or-later
# Draws the committed pictures anew and writes their MANIFEST: close-ups into
# set/, whole coins into coins/.
#   testimages/make_set.sh PROGRAM [FOLDER]
# FOLDER: where set/ and coins/ go; testimages unless given.
set -eu
program=$1
here=$(cd "$(dirname "$0")" && pwd)
folder=${2:-$here}

begin() {
  mkdir -p "$folder/$1"
  printf '# file\tclass\tseed\tsha256\treference\toptions\n' > "$folder/$1/MANIFEST"
}
begin set
begin coins

# Folder, name, number of the coin, reference, then what makes it so.
while read -r to name start reference options; do
  test -n "$name" || continue
  # shellcheck disable=SC2086 # the options are words of their own
  "$program" --reference "$here/references/$reference.json" --output "$folder/$to" \
    --name "$name" --seed 7 --start "$start" $options
  file=$(printf '%s-%04d' "$name" "$start")
  class=$(sed -n 's/^{\{0,1\}"cls": "\(.*\)",$/\1/p' "$folder/$to/$file.json" | head -n 1)
  sum=$(sha256sum "$folder/$to/$file.jpg" | cut -d ' ' -f 1)
  printf '%s.jpg\t%s\t7\t%s\t%s.json\t--name %s --seed 7 --start %s %s\n' \
    "$file" "$class" "$sum" "$reference" "$name" "$start" "$options" >> "$folder/$to/MANIFEST"
done <<'RECIPES'
set strong 6 vellacombe --class underdigit --digit-px 60:110 --strength 0.7:0.85
set strong-sans 7 karrow --class underdigit --digit-px 60:110 --strength 0.6:0.8
set middle 7 vellacombe --class underdigit --digit-px 60:110 --strength 0.4:0.5
set weak 4 vellacombe --class underdigit --digit-px 60:110 --strength 0.14:0.24
set turned 8 ostermere --class underdigit --date 1906 --digit-px 60:110 --strength 0.4:0.7 --turn 20:28
set small 2 karrow --class underdigit --digit-px 26:32 --strength 0.6:0.8
set hub 7 ostermere --class underdigit --date 1955 --digit-px 60:110 --strength 0.5:0.75
set repunched 1 vellacombe --class repunched --digit-px 60:110 --strength 0.5:0.8
set doubled 1 karrow --class doubled --digit-px 60:110
set crack 6 vellacombe --class crack --digit-px 60:110
set scratch 2 karrow --class scratch --digit-px 60:110
set chip 6 ostermere --class chip --digit-px 60:110
set fragment 8 vellacombe --class fragment --digit-px 60:110
set clean 3 vellacombe --class clean --digit-px 60:110
set clean-sans 8 karrow --class clean --digit-px 60:110
set overhead 6 karrow --class underdigit --digit-px 60:110 --overhead
coins near-rim 1 karrow --class clean --digit-px 60:60 --design --frame 0.5
coins whole 7 vellacombe --class underdigit --strength 0.6:0.8 --whole --coin-px 440:440
coins both-sides 1 karrow --class clean --whole --coins 2 --both-sides --coin-px 240:240
coins tray 4 ostermere --whole --coins 6 --coin-px 150:150
RECIPES
