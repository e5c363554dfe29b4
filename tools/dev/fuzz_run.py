#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-2.0-or-later
"""Runs the fuzz targets of a build in turn and adds up what they did.

fuzz_run.py SECONDS BUILD_FOLDER JOBS [TARGET...]

The time is the machine's processor time over all targets, as the system counts it for the
processes run.  Every run appends a line to BUILD_FOLDER/fuzz/log.tsv: target, executions,
processor seconds, coverage points, features, exit status.  With 0 seconds it prints the table
of all runs so far.  SIGTERM or SIGINT ends the runs early; what they did is counted.
"""
import os
import re
import signal
import subprocess
import sys
import threading
import time

# Of a target before the next one has its turn; by the clock, as libFuzzer counts it.
SLICE_SECONDS = float(os.environ.get("UDG_FUZZ_SLICE", "300"))
# For one input, by the clock as well: long on a machine that has other things to do.
TIMEOUT_SECONDS = os.environ.get("UDG_FUZZ_TIMEOUT", "600")
SEED = os.environ.get("UDG_FUZZ_SEED", "0")  # 0: another one each run
INTERRUPTED = 72  # libFuzzer's exit status then; it found nothing


def command(build, target, corpus, seconds):
    folder = os.path.join(build, "fuzz")
    kept = os.path.join(folder, target)
    os.makedirs(kept, exist_ok=True)
    return [os.path.join(build, "tests/fuzz/fuzz_" + target), kept, os.path.join(corpus, target),
            f"-max_total_time={max(1, round(seconds))}", "-print_final_stats=1", f"-seed={SEED}",
            "-entropic_scale_per_exec_time=1",
            f"-timeout={TIMEOUT_SECONDS}", "-report_slow_units=1000", "-rss_limit_mb=3000", "-detect_leaks=1",
            f"-artifact_prefix={folder}/found-{target}-"]


def run(build, target, corpus, seconds, running):
    """One run; gives the fields of its line in the log."""
    environment = dict(os.environ, UBSAN_OPTIONS="halt_on_error=1:print_stacktrace=1")
    with subprocess.Popen(command(build, target, corpus, seconds), stderr=subprocess.STDOUT,
                          stdout=subprocess.PIPE, env=environment) as process:
        running.add(process.pid)
        text = process.stdout.read().decode(errors="replace")
        _, status, used = os.wait4(process.pid, 0)
        running.discard(process.pid)
        process.returncode = os.waitstatus_to_exitcode(status)
    failed = process.returncode not in (0, INTERRUPTED)
    executions = re.findall(r"stat::number_of_executed_units: (\d+)", text)
    reached = re.findall(r"cov: (\d+) ft: (\d+)", text)
    coverage, features = reached[-1] if reached else ("0", "0")
    if failed:
        name = os.path.join(build, "fuzz", f"{target}-{int(time.time())}.txt")
        with open(name, "w", encoding="utf-8") as out:
            out.write(text)
        print(f"{target}: FOUND SOMETHING, see {name}", flush=True)
    return [target, executions[-1] if executions else "0",
            f"{used.ru_utime + used.ru_stime:.1f}", coverage, features, str(process.returncode if failed else 0)]


def read_log(path):
    if not os.path.exists(path):
        return []
    with open(path, encoding="utf-8") as lines:
        return [line.rstrip("\n").split("\t") for line in lines]


def table(rows):
    total = 0.0
    failures = 0
    print(f"{'target':<12}{'executions':>12}{'cpu s':>10}{'coverage':>10}{'features':>10}{'found':>7}")
    for target in sorted({row[0] for row in rows}):
        own = [row for row in rows if row[0] == target]
        seconds = sum(float(row[2]) for row in own)
        found = sum(row[5] != "0" for row in own)
        print(f"{target:<12}{sum(int(row[1]) for row in own):>12}{seconds:>10.0f}"
              f"{max(int(row[3]) for row in own):>10}{max(int(row[4]) for row in own):>10}{found:>7}")
        total += seconds
        failures += found
    print(f"{total:.0f} processor seconds in all ({total / 3600:.2f} hours)")
    return failures


def main():
    seconds, build, jobs = float(sys.argv[1]), sys.argv[2], int(sys.argv[3])
    corpus = os.path.join(os.path.dirname(__file__), "../../tests/fuzz/corpus")
    targets = sys.argv[4:] or sorted(os.listdir(corpus))
    log = os.path.join(build, "fuzz", "log.tsv")
    os.makedirs(os.path.dirname(log), exist_ok=True)
    lock, state = threading.Lock(), {"used": 0.0, "next": 0, "failed": 0, "stop": False}
    running = set()
    share = min(SLICE_SECONDS, seconds / len(targets))

    def work():
        while True:
            with lock:
                if state["stop"] or state["used"] >= seconds:
                    return
                target = targets[state["next"] % len(targets)]
                state["next"] += 1
            row = run(build, target, corpus, share, running)
            with lock:
                state["used"] += float(row[2])
                state["failed"] += row[5] != "0"
                with open(log, "a", encoding="utf-8") as out:
                    out.write("\t".join(row) + "\n")

    def stop(*_):
        state["stop"] = True
        for pid in list(running):
            os.kill(pid, signal.SIGINT)

    for sign in (signal.SIGTERM, signal.SIGINT):
        signal.signal(sign, stop)
    threads = [threading.Thread(target=work) for _ in range(jobs)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    table(read_log(log))
    return 1 if state["failed"] else 0


if __name__ == "__main__":
    sys.exit(main())
