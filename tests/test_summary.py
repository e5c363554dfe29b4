#!/usr/bin/env python3
"""The count that ends a test run: failures must never be counted away."""
import json
import subprocess
import sys
import tempfile
import unittest

SCRIPT = sys.argv.pop(1)
TWO_GOOD = "[  PASSED  ] 2 test(s).\n"
ONE_BAD = "[  PASSED  ] 3 test(s).\n[  FAILED  ] 1 test(s), listed below:\n[  FAILED  ] x\n"


def summary(*entries):
    with tempfile.NamedTemporaryFile("w", suffix=".json") as log:
        for result, stderr in entries:
            log.write(json.dumps({"result": result, "stdout": "", "stderr": stderr}) + "\n")
        log.flush()
        run = subprocess.run([sys.executable, SCRIPT, log.name], capture_output=True, text=True,
                             check=False)
        return run.stdout.strip(), run.returncode


class Summary(unittest.TestCase):
    def test_counts_cases(self):
        self.assertEqual(summary(("OK", TWO_GOOD), ("OK", "")), ("3 passed, 0 failed", 0))

    def test_a_failed_case_fails(self):
        self.assertEqual(summary(("OK", TWO_GOOD), ("FAIL", ONE_BAD)), ("5 passed, 1 failed", 1))

    def test_death_before_the_summary_fails(self):
        for result in ("FAIL", "TIMEOUT", "ERROR", "INTERRUPT", "UNEXPECTEDPASS"):
            self.assertEqual(summary((result, "")), ("0 passed, 1 failed", 1))

    def test_a_leak_after_good_cases_fails(self):
        self.assertEqual(summary(("FAIL", TWO_GOOD)), ("2 passed, 1 failed", 1))

    def test_skipped_is_told(self):
        skipped = "[  PASSED  ] 1 test(s).\n[  SKIPPED ] 1 test(s), listed below:\n"
        self.assertEqual(summary(("OK", skipped), ("SKIP", "")),
                         ("1 passed, 0 failed, 2 skipped", 0))

    def test_nothing_run_is_no_success(self):
        self.assertEqual(summary(), ("0 passed, 0 failed", 1))


unittest.main()
