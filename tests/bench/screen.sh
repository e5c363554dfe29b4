#!/bin/sh
# Photos a second, peak memory and the share of decoding of a screening run:
#   sh tests/bench/screen.sh BUILD_FOLDER [COUNT]       default: 2000 photos
set -eu
build=$(cd "$1" && pwd)
count=${2:-2000}
root=$(cd "$(dirname "$0")/../.." && pwd)
reference=$root/testimages/references/karrow.json
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
cd "$work"

"$build/testimages/underdigit-testimages" --reference "$reference" --output photos \
  --count "$count" --seed 77 --digit-px 40:90 >/dev/null

# CPU and wall seconds and peak memory of one run, as the kernel counts them.
measure() {
  python3 - "$@" <<'P'
import resource, sqlite3, subprocess, sys, time
command, jobs, reference, photos = sys.argv[1:5]
store = "run%s.db" % jobs
began = time.monotonic()
subprocess.run([command, "screen", *photos.split(), "--reference", reference, "--store", store,
                "--jobs", jobs, "--quiet"], check=False, stdout=subprocess.DEVNULL)
took = time.monotonic() - began
used = resource.getrusage(resource.RUSAGE_CHILDREN)
with sqlite3.connect(store) as kept:
    n, = kept.execute("SELECT count(*) FROM result").fetchone()
cpu = used.ru_utime + used.ru_stime
with open("rates", "a", encoding="ascii") as rates:
    print(n / took, file=rates)
print("%s job%s: %d photos in %.1f s, %.2f photos/s, %.3f s CPU a photo, peak %.1f MB"
      % (jobs, "" if jobs == "1" else "s", n, took, n / took, cpu / n, used.ru_maxrss / 1024))
P
}

# Decoding alone: djpeg to grey, which is what the library asks of libjpeg.
python3 - <<'P' | tee decoding
import glob, resource, subprocess
photos = sorted(glob.glob("photos/*.jpg"))[:200]
for photo in photos:
    subprocess.run(["djpeg", "-grayscale", "-outfile", "/dev/null", photo], check=True)
used = resource.getrusage(resource.RUSAGE_CHILDREN)
print("decoding: %.4f s CPU a photo (djpeg -grayscale, its start included)"
      % ((used.ru_utime + used.ru_stime) / len(photos)))
P
mkdir ten
for photo in $(ls photos/*.jpg | head -10); do ln -s "../$photo" ten/; done
echo "ten photos, for the memory:"
measure "$build/tools/underdigit" 1 "$reference" ten
rm -f run1.db
measure "$build/tools/underdigit" 1 "$reference" photos
measure "$build/tools/underdigit" 2 "$reference" photos
tail -2 rates | { read -r one; read -r two; echo "$two $one" | awk '{ printf "two jobs: %.2f times one\n", $1 / $2 }'; }
python3 - <<'P'
import re, sqlite3
decoding = float(re.search(r"([0-9.]+) s CPU", open("decoding").read()).group(1))
with sqlite3.connect("run1.db") as kept:
    ms, = kept.execute("SELECT avg(json_extract(json, '$.ms.total')) FROM result").fetchone()
print("decoding takes about %.1f %% of the time" % (100 * decoding / (decoding + ms / 1000)))
P
