#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-2.0-or-later
"""How smooth the page is with many listings: page.py BUILD_FOLDER [LISTINGS]

In a headless Chromium: until the list is drawn, of one frame while scrolling from
end to end, of a step with pictures, and of a letter in the search.
"""
import os
import shutil
import sys
import tempfile
import time

HERE = os.path.dirname(os.path.abspath(__file__))
sys.path.insert(0, os.path.join(os.path.dirname(HERE), "page"))
import browser as browsing
import test_page

# Time from one frame to the next while the list scrolls by `step` px a frame.
SCROLL = """new Promise((done) => {
  const list = document.getElementById("list"), times = [];
  let last = performance.now();
  list.scrollTop = 0;
  const frame = (now) => {
    times.push(now - last);
    last = now;
    if (list.scrollTop + list.clientHeight >= list.scrollHeight - 1) return done(times.slice(2));
    list.scrollTop += 1500;
    requestAnimationFrame(frame);
  };
  requestAnimationFrame(frame);
})"""
# Until what a call asked for is laid out.
TIMES = """(() => { const times = []; for (let k = 0; k < %d; k++) { const began = performance.now();
  (() => { %s })(); document.body.offsetHeight; times.push(performance.now() - began); } return times; })()"""


def tell(what, times):
    times = sorted(times)
    print("%-34s middle %6.1f ms, 95 %% below %6.1f ms, most %6.1f ms (%d times)"
          % (what, times[len(times) // 2], times[int(0.95 * (len(times) - 1))], times[-1], len(times)))


def main():
    build = os.path.abspath(sys.argv[1])
    listings = int(sys.argv[2]) if len(sys.argv) > 2 else 5000
    command = os.path.join(build, "tests", "underdigit-quick")
    reference = os.path.join(os.path.dirname(os.path.dirname(HERE)), "testimages", "references", "karrow.json")
    folder = tempfile.mkdtemp(prefix="underdigit-page-")
    program = browsing.find()
    if not program:
        print("no Chromium here")
        return 1
    browser = None
    try:
        url = test_page.make_store(folder, command, reference, listings)
        path = os.path.join(folder, "page", "index.html")
        print("%d listings, a page of %.1f MB" % (listings, os.path.getsize(path) / 1e6))
        browser = browsing.Browser(program, folder)
        for width, height, phone in ((1280, 800, False), (390, 844, True)):
            print("%d x %d:" % (width, height))
            browser.size(width, height, phone)
            began = time.monotonic()
            browser.open(url)
            browser.settle()
            print("until drawn: %.2f s" % (time.monotonic() - began))
            browser.ask("(() => { const e = document.getElementById('verdict'); e.value = '';"
                        "e.dispatchEvent(new Event('input', {bubbles: true})); })()")
            tell("a frame while scrolling", browser.ask(SCROLL))
            tell("a step to the next listing",
                 browser.ask(TIMES % (100, "document.getElementById('next').click()")))
            tell("a letter in the search", browser.ask(TIMES % (
                20, "const e = document.getElementById('words'); e.value = e.value ? '' : 'p';"
                "e.dispatchEvent(new Event('input', {bubbles: true}))")))
    finally:
        if browser:
            browser.close()
        shutil.rmtree(folder, ignore_errors=True)
    return 0


sys.exit(main())
