#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-2.0-or-later
"""Peak memory of a screening run as photos pass: screen_memory.py BUILD_FOLDER [COUNT]

COUNT (10,000) different small photos, drawn for this, go through the library as it
is; the reference has one date of two digits, so that this takes minutes, not hours.
The first run has the ten largest photos alone: what more photos need beyond that is
growth.  With --jobs N in between it takes N jobs.
"""
import glob
import json
import os
import shutil
import struct
import subprocess
import sys
import tempfile
import time


def two_digits(source, path):
    """The last two digits of the reference's first date, as a date of their own."""
    with open(source, encoding="utf-8") as file:
        reference = json.load(file)
    date = reference["dates"][0]
    date["date"] = date["date"][-2:]
    date["places"] = date["places"][-2:]
    middle = sum(p["centre_mm"][0] for p in date["places"]) / 2
    for place in date["places"]:
        place["centre_mm"][0] = round(place["centre_mm"][0] - middle, 4)
    reference.update(name="Two digits", dates=[date], expected=[])
    for field in ("diameter_mm", "date_origin_mm"):
        reference["coin"].pop(field, None)
    with open(path, "w", encoding="utf-8") as file:
        json.dump(reference, file)


def pixels(path):
    """Width times height, by the frame header (ITU-T T.81, B.2.2)."""
    with open(path, "rb") as file:
        data = file.read()
    at = 2
    while data[at + 1] not in (0xC0, 0xC1, 0xC2):
        at += 2 + struct.unpack(">H", data[at + 2:at + 4])[0]
    height, width = struct.unpack(">HH", data[at + 5:at + 9])
    return width * height


def peak_kb(pid):
    try:
        with open("/proc/%d/status" % pid, encoding="ascii") as file:
            for line in file:
                if line.startswith("VmHWM:"):
                    return int(line.split()[1])
    except OSError:
        pass
    return 0


def run(command, photos, reference, store, jobs):
    """Peaks in MB when so many photos are done, and at the end."""
    process = subprocess.Popen(
        [command, "screen", photos, "--reference", reference, "--store", store, "--jobs", jobs,
         "--stream", "--quiet"], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
    done, told, peaks, began = 0, 10, [], time.monotonic()
    for _ in process.stdout:
        done += 1
        if done == told:
            peaks.append((done, peak_kb(process.pid) / 1024))
            told *= 10
    _, _, used = os.wait4(process.pid, 0)
    for count, peak in peaks:
        print("  after %6d photos: peak %.2f MB" % (count, peak))
    print("  at the end (%d photos, %.0f s CPU, %.0f s): peak %.2f MB"
          % (done, used.ru_utime + used.ru_stime, time.monotonic() - began, used.ru_maxrss / 1024),
          flush=True)
    return used.ru_maxrss / 1024


def main():
    arguments = sys.argv[1:]
    jobs = "1"
    if "--jobs" in arguments:
        at = arguments.index("--jobs")
        jobs = arguments[at + 1]
        del arguments[at:at + 2]
    build = os.path.abspath(arguments[0])
    count = int(arguments[1]) if len(arguments) > 1 else 10000
    root = os.path.dirname(os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
    command = os.path.join(build, "tools", "underdigit")
    folder = tempfile.mkdtemp(prefix="underdigit-memory-")
    try:
        os.chdir(folder)
        two_digits(os.path.join(root, "testimages", "references", "karrow.json"), "two.json")
        subprocess.run([os.path.join(build, "testimages", "underdigit-testimages"), "--reference",
                        "two.json", "--output", "photos", "--count", str(count), "--seed", "5",
                        "--digit-px", "20:24"], check=True, stdout=subprocess.DEVNULL)
        os.mkdir("ten")
        for photo in sorted(glob.glob("photos/*.jpg"), key=pixels)[-10:]:
            shutil.copy(photo, "ten")
        print("ten photos, %s job%s:" % (jobs, "" if jobs == "1" else "s"))
        few = run(command, "ten", "two.json", "ten.db", jobs)
        print("all of them:")
        many = run(command, "photos", "two.json", "all.db", jobs)
        print("%d photos need %.2f MB more than ten" % (count, many - few))
    finally:
        os.chdir("/")
        shutil.rmtree(folder)


main()
