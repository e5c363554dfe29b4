#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-2.0-or-later
"""The page in a headless Chromium: test_page.py COMMAND REFERENCE

Open, filter, step, mark, save, take the marks back into the store; at desktop
and phone width, light and dark, with listings that try to inject script.
With UDG_PAGE_SHOTS set, leaves pictures of the page in that folder.
"""
import csv
import json
import os
import random
import shutil
import sqlite3
import struct
import subprocess
import sys
import tempfile
import time
import zlib

sys.path.insert(0, os.path.dirname(os.path.abspath(__file__)))
import browser as browsing

LISTINGS = 3000
PHOTOS = 30
HOSTILE = [
    "<script>document.title='pwned';window.pwned=1</script>",
    "</script><script>window.pwned=1</script>",
    "<img src=x onerror=\"window.pwned=1\">",
    "\"><svg onload=window.pwned=1>",
    "' onmouseover='window.pwned=1",
    "@@data@@ @@js@@ ${window.pwned=1} {{constructor}} \u2028\u2029 </style> <!-- ]]>",
    "=HYPERLINK(\"x\")",
    "\u202eright to left \U0001F600 \\u003cb\\u003e",
]


def write_png(path, level, salt):
    width, height = 80, 40
    draw = random.Random(salt)
    patches = [draw.randrange(31) - 15 for _ in range(80)]
    rows = b"".join(
        b"\0" + bytes(level + patches[y // 5 * 10 + x // 8] for x in range(width))
        for y in range(height))

    def chunk(kind, data):
        return (struct.pack(">I", len(data)) + kind + data
                + struct.pack(">I", zlib.crc32(kind + data)))

    with open(path, "wb") as file:
        file.write(b"\x89PNG\r\n\x1a\n"
                   + chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0))
                   + chunk(b"IDAT", zlib.compress(rows)) + chunk(b"IEND", b""))


def make_store(folder, command, reference, listings=LISTINGS):
    """Listings over PHOTOS photos, every tenth photo a find."""
    for i in range(PHOTOS):
        write_png(os.path.join(folder, "p%02d.png" % i), 200 + i if i % 10 == 3 else 60 + i, i + 1)
    with open(os.path.join(folder, "t.csv"), "w", newline="", encoding="utf-8") as file:
        table = csv.writer(file)
        table.writerow("id title address price currency closes photos note".split())
        for i in range(listings):
            # The first finds have the hostile texts.
            title = HOSTILE[i // PHOTOS % len(HOSTILE)] if i % PHOTOS == 3 else "Piece %d" % i
            address = "javascript:window.pwned=1" if i % 2 else "https://example.invalid/%d?a=1&b" % i
            table.writerow(["L%04d" % i, title, address, i, "EUR", "2099-01-%02d 12:00" % (1 + i % 28),
                            "p%02d.png" % (i % PHOTOS), HOSTILE[i % len(HOSTILE)]])
    run = lambda *a: subprocess.run([command, *a], cwd=folder, check=True, stdout=subprocess.DEVNULL)
    run("screen", "t.csv", "-r", reference, "-s", "run.db", "-q")
    run("page", "run.db", "--output", "page")
    return "file://" + os.path.join(folder, "page", "index.html")


def equal(got, wanted, what):
    if got != wanted:
        raise AssertionError("%s: %r, not %r" % (what, got, wanted))


# Contrast by WCAG 2.1: (L1 + 0.05) / (L2 + 0.05), L the relative luminance; 4.5 is
# its level AA for text.
CONTRAST = """(() => {
  const parse = (c) => { const m = c.match(/[\\d.]+/g).map(Number); return m.length < 4 ? [...m, 1] : m; };
  const light = (c) => { const [r, g, b] = c.slice(0, 3).map((v) => { v /= 255;
    return v <= 0.03928 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; }); return 0.2126 * r + 0.7152 * g + 0.0722 * b; };
  const behind = (e) => { for (; e; e = e.parentElement) { const c = parse(getComputedStyle(e).backgroundColor);
    if (c[3] === 1) return c; } return [255, 255, 255, 1]; };
  const bad = []; let count = 0;
  for (const e of document.querySelectorAll("body *")) {
    const own = [...e.childNodes].some((n) => n.nodeType === 3 && n.data.trim());
    if (!own || !e.checkVisibility() || e.closest("script, style, noscript, :disabled, .unseen, .skip, option")) continue;
    const a = light(parse(getComputedStyle(e).color)), b = light(behind(e));
    count++;
    const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
    if (ratio < 4.5) bad.push(e.tagName + "." + e.className + " " + ratio.toFixed(2) + " " + e.textContent.slice(0, 30));
  }
  return [count, bad];
})()"""


class Page:
    def __init__(self, browser, url, shots):
        self.b, self.url, self.shots = browser, url, shots

    def shot(self, name):
        if self.shots:
            self.b.picture(os.path.join(self.shots, name + ".png"))

    def count(self):
        return self.b.ask("document.getElementById('count').textContent")

    def selected(self):
        return self.b.ask("document.querySelector('.row[aria-selected=true] .name').textContent")

    def choose(self, control, value):
        self.b.ask("(() => { const e = document.getElementById(%s); e.value = %s;"
                   "e.dispatchEvent(new Event('input', {bubbles: true})); })()"
                   % (json.dumps(control), json.dumps(value)))
        self.b.settle()

    def mark_shown(self):
        return self.b.ask("[...document.querySelectorAll('#detail .tag.mark')].map(e => e.textContent).join()")


def check_opening(p):
    p.b.size(1280, 800)
    p.b.open(p.url)
    equal(p.count(), "300 of 3000 listings", "finds at first")
    equal(p.b.ask("document.title"), "Underdigit finds", "title")
    assert "flagged" in p.b.ask("document.getElementById('sentence').textContent")
    assert p.b.ask("document.querySelectorAll('.row').length") < 40
    p.shot("desktop")


def check_hostile_texts(p):
    """Each hostile title is met as a listing, as text and as nothing else."""
    p.choose("verdict", "")
    for title in HOSTILE:
        i = HOSTILE.index(title) * PHOTOS + 3
        p.choose("words", "L%04d" % i)
        equal(p.count(), "1 of 3000 listings", "found by id")
        equal(p.b.ask("document.querySelector('#detail h2').textContent"), title, "title as text")
        equal(p.selected(), title, "title in the list")
        equal(p.b.ask("document.querySelectorAll('#detail h2 *, .row .name *').length"), 0, "markup")
    equal(p.b.ask("[...document.querySelectorAll('#detail a')].length"), 0, "script address is no link")
    p.choose("words", "L0012")
    equal(p.b.ask("document.querySelector('#detail .facts a').href"), "https://example.invalid/12?a=1&b", "link")
    equal(p.b.ask("document.querySelector('#detail .facts a').rel"), "noopener noreferrer", "rel")
    equal(p.b.ask("document.querySelector('#detail .summary a').href"), "https://example.invalid/12?a=1&b", "link on top")
    equal(p.b.ask("typeof window.pwned"), "undefined", "injected script")
    equal(p.b.ask("document.scripts.length"), 2, "scripts")
    p.choose("words", "")


def check_copies(p):
    """One photo in a hundred listings: said of each, and not all of them listed with each."""
    p.choose("words", "L0033")
    said = p.b.ask("[...document.querySelectorAll('#detail dt')].filter(e => e.textContent === 'Shown as well')"
                   ".map(e => e.nextSibling.textContent)")
    equal(len(said), 1, "told once")
    equal(said[0].count("(same photo)"), 20, "others listed")
    assert said[0].endswith(", 79 more"), said
    assert "same photo" in p.b.ask("document.querySelector('.row').textContent"), "said in the list"
    p.choose("words", "")


def check_filters(p):
    p.choose("verdict", "=plain")
    equal(p.count(), "2700 of 3000 listings", "plain ones")
    p.choose("verdict", "")
    p.choose("low", "100")
    p.choose("high", "199.5")
    equal(p.count(), "100 of 3000 listings", "price")
    p.choose("low", "")
    p.choose("high", "")
    p.choose("date", p.b.ask("document.getElementById('date').options[1].value"))
    equal(p.count(), "3000 of 3000 listings", "date")
    p.choose("order", "price")
    equal(p.selected(), "Piece 0", "cheapest first")
    p.choose("order", "rank")
    p.choose("words", "no such words")
    equal(p.count(), "0 of 3000 listings", "none")
    assert "No listing" in p.b.ask("document.getElementById('detail').textContent")
    p.b.click("#reset")
    p.b.ask("new Promise(r => setTimeout(r, 50))")
    equal(p.count(), "3000 of 3000 listings", "all again")


def check_many_rows(p):
    p.b.ask("document.getElementById('list').focus()")
    p.b.key("End")
    assert p.b.ask("document.querySelectorAll('.row').length") < 40
    equal(p.b.ask("document.querySelector('.row[aria-selected=true]').getAttribute('aria-posinset')"),
          "3000", "the last")
    equal(p.b.ask("document.querySelector('.row').getAttribute('aria-setsize')"), "3000", "of")
    for share in (0.1, 0.9, 0.5):
        p.b.ask("(() => { const l = document.getElementById('list'); l.scrollTop = %g * l.scrollHeight; })()" % share)
        p.b.settle()
        gaps = p.b.ask("(() => { const l = document.getElementById('list').getBoundingClientRect(), seen = [];"
                       "for (let y = l.top + 5; y < l.bottom - 5; y += 20)"
                       "seen.push(Boolean(document.elementFromPoint(l.left + 50, y).closest('.row'))); return seen; })()")
        assert all(gaps), "rows missing in sight"
        assert p.b.ask("document.querySelectorAll('.row').length") < 40
    p.b.key("Home")


def check_keys(p):
    p.choose("verdict", "=underdigit")
    p.b.ask("document.getElementById('list').focus()")
    p.b.key("Home")
    position = "document.querySelector('.row[aria-selected=true]').getAttribute('aria-posinset')"
    for key, wanted in (("n", "2"), ("ArrowDown", "3"), ("j", "4"), ("p", "3"), ("ArrowUp", "2"), ("k", "1")):
        p.b.key(key)
        equal(p.b.ask(position), wanted, "after " + key)
    p.b.key("p")
    equal(p.b.ask(position), "1", "no further")
    assert p.b.ask("document.getElementById('said').textContent").startswith("1 of 300: "), "said aloud"
    shown = "getComputedStyle(document.querySelector('#detail .frame svg')).display"
    assert p.b.ask(shown) != "none"
    equal(p.b.ask("document.querySelectorAll('#detail .frame svg path').length"), 4, "outlines, cased")
    p.b.key("o")
    equal(p.b.ask(shown), "none", "outlines off")
    p.shot("desktop-no-outlines")
    p.b.key("n")
    equal(p.b.ask(shown), "none", "still off on the next")
    p.b.key("o")
    p.b.click("#detail figure:not(.main) .frame")
    assert p.b.ask("document.getElementById('large').open"), "shown larger"
    sizes = p.b.ask("[...document.querySelectorAll('#detail figure:not(.main) img, #large img')].map(i => i.width)")
    assert sizes[-1] > sizes[0], sizes
    p.b.key("n")  # not a step while it is open
    p.b.key("Escape")
    assert not p.b.ask("document.getElementById('large').open")
    equal(p.b.ask(position), "2", "no step behind it")
    p.b.key("?")
    assert p.b.ask("document.getElementById('keys').open")
    p.b.key("Escape")
    assert not p.b.ask("document.getElementById('keys').open")
    p.b.key("/")
    p.b.key("n")
    equal(p.b.ask("document.getElementById('words').value"), "n", "a letter, not a step")
    p.choose("words", "")
    p.b.key("Escape")


def check_marks_are_of_one_store(p, folder, command, reference):
    """Two stores of one name and with the same ids, met in one browser: it keeps them apart."""
    other = os.path.join(folder, "other")
    os.mkdir(other)
    url = make_store(other, command, reference, listings=60)
    p.choose("words", "L0003")
    p.b.ask("document.getElementById('list').focus()")
    p.b.key("c")
    equal(p.mark_shown(), "look closer", "marked in the first")
    of_first = p.b.ask("Object.keys(localStorage)")
    p.b.open(url)
    p.choose("verdict", "")
    p.choose("mark", "closer")
    equal(p.count(), "0 of 60 listings", "marks of another store")
    p.b.open(p.url)
    p.choose("mark", "closer")
    equal(p.count(), "1 of 3000 listings", "marks of this one")
    equal(len(of_first), 1, "keys")
    p.b.ask("localStorage.clear()")
    p.b.open(p.url)


def check_marks(p, folder, command):
    p.b.ask("document.getElementById('list').focus()")
    p.b.key("Home")
    for key in "cxs":
        p.b.key(key)  # marks and goes on
    position = "document.querySelector('.row[aria-selected=true]').getAttribute('aria-posinset')"
    equal(p.b.ask(position), "4", "went on")
    p.b.click("#bar [data-mark=closer]")
    p.b.key("p")
    equal(p.mark_shown(), "look closer", "the fourth")
    cut = p.b.ask("[...document.querySelectorAll('.row .tag')].filter(e => e.getBoundingClientRect().right >"
                  " e.parentElement.getBoundingClientRect().right + 1).map(e => e.textContent)")
    equal(cut, [], "tags cut off in the list")
    equal(p.b.ask("document.querySelector('#bar [data-mark=closer]').getAttribute('aria-pressed')"), "true", "pressed")
    p.b.key("u")
    equal(p.mark_shown(), "", "taken away")
    p.b.open(p.url)
    marked = lambda kind: (p.choose("mark", kind), p.count().split()[0])[1]
    equal([marked(k) for k in ("closer", "no", "seen", "none")], ["1", "1", "1", "297"], "kept over a reload")
    p.choose("mark", "")
    p.b.session, session = None, p.b.session
    p.b.call("Browser.setDownloadBehavior", behavior="allow", downloadPath=folder, eventsEnabled=False)
    p.b.session = session
    p.b.click("#export")
    path = os.path.join(folder, "marks.csv")
    until = time.monotonic() + 60
    while not os.path.exists(path) and time.monotonic() < until:
        time.sleep(0.05)
    with open(path, newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    equal(sorted(r["mark"] for r in rows), ["", "closer", "no", "seen"], "saved marks")
    assert all(not r["title"].startswith("=") for r in rows)
    subprocess.run([command, "marks", "run.db", "marks.csv"], cwd=folder, check=True,
                   stdout=subprocess.DEVNULL)
    with sqlite3.connect(os.path.join(folder, "run.db")) as store:
        kept = dict(store.execute("SELECT id, mark FROM mark JOIN listing USING(listing_id)"))
    equal(kept, {r["id"]: r["mark"] for r in rows if r["mark"]}, "marks in the store")
    # A page made now knows them without the browser's help.
    subprocess.run([command, "page", "run.db", "-o", "page"], cwd=folder, check=True,
                   stdout=subprocess.DEVNULL)
    p.b.ask("localStorage.clear()")
    p.b.open(p.url)
    equal([marked(k) for k in ("closer", "no", "seen", "none")], ["1", "1", "1", "297"], "from the store")
    p.choose("mark", "")


def check_accessibility(p):
    nameless = []
    for node in p.b.call("Accessibility.getFullAXTree")["nodes"]:
        role = node.get("role", {}).get("value")
        if node.get("ignored") or role not in ("button", "image", "img", "listbox", "option", "combobox", "searchbox", "spinbutton", "link", "dialog"):
            continue
        if not node.get("name", {}).get("value", "").strip():
            nameless.append(role)
    equal(nameless, [], "controls without a name")
    images = p.b.ask("[...document.images].map(i => [i.alt.length > 10, i.complete && i.naturalWidth > 0])")
    assert len(images) == 3 and all(all(i) for i in images), images
    for scheme in ("light", "dark"):
        p.b.call("Emulation.setEmulatedMedia", features=[{"name": "prefers-color-scheme", "value": scheme}])
        p.b.ask("new Promise(r => setTimeout(r, 300))")  # colours fade over
        count, bad = p.b.ask(CONTRAST)
        assert count > 30, count
        equal(bad, [], "contrast, " + scheme)
        p.shot("desktop-" + scheme)
    p.b.call("Emulation.setEmulatedMedia", features=[])
    # Everything can be reached with Tab alone, and is seen to be.
    p.b.ask("document.activeElement.blur(), document.body.focus()")
    reached = set()
    for _ in range(40):
        p.b.key("Tab")
        name = p.b.ask("document.activeElement.id || document.activeElement.dataset.mark || document.activeElement.className")
        outline = p.b.ask("getComputedStyle(document.activeElement).outlineStyle")
        if name:
            reached.add(name)
            assert outline != "none", "focus not seen on " + name
    missing = {"list", "verdict", "words", "export", "outlines", "next", "closer", "no", "seen"} - reached
    equal(missing, set(), "not reached by Tab")


def check_phone(p):
    p.b.size(390, 844, phone=True)
    p.b.open(p.url)
    wide = "document.documentElement.scrollWidth"
    equal(p.b.ask(wide), 390, "width of the list")
    p.shot("phone-list")
    p.b.click("#filter-button")
    assert p.b.ask("document.getElementById('verdict').checkVisibility()")
    equal(p.b.ask(wide), 390, "width with filters")
    p.shot("phone-filters")
    p.b.click("#filter-button")
    p.b.click("#row-1")
    assert p.b.ask("document.querySelector('#detail h2').checkVisibility()")
    assert not p.b.ask("document.getElementById('list').checkVisibility()")
    equal(p.b.ask(wide), 390, "width of a listing")
    equal(p.b.ask("document.getElementById('detail').scrollWidth <= 390"), True, "a listing fits")
    small = p.b.ask("[...document.querySelectorAll('#bar button')].filter(b => { const r = b.getBoundingClientRect();"
                    "return r.height < 44 || r.width < 40 || r.right > 390; }).map(b => b.textContent)")
    equal(small, [], "buttons too small for a thumb")
    p.shot("phone-listing")
    before = p.b.ask("document.querySelector('#detail h2').textContent")
    p.b.click("#next")
    assert before != p.b.ask("document.querySelector('#detail h2').textContent"), "stepped"
    p.b.size(844, 390, phone=True)  # held sideways: one thing at a time as well
    assert not p.b.ask("document.getElementById('list').checkVisibility()")
    equal(p.b.ask(wide), 844, "width sideways")
    p.b.size(390, 844, phone=True)
    p.b.click("#back")
    assert p.b.ask("document.getElementById('list').checkVisibility()")
    assert p.b.ask("document.querySelectorAll('.row').length") > 3


def check_quiet(p):
    """Nothing was asked of a network, nothing failed, nothing was refused."""
    for event in p.b.events:
        method, about = event.get("method"), event.get("params", {})
        if method == "Network.requestWillBeSent":
            url = about["request"]["url"]
            assert url.startswith(("file:", "data:", "blob:")), url
        assert method != "Runtime.exceptionThrown", about
        if method == "Log.entryAdded":
            assert about["entry"]["level"] != "error", about


def main():
    command, reference = map(os.path.abspath, sys.argv[1:3])
    program = browsing.find()
    if not program:
        print("no Chromium here: skipped")
        return 77
    shots = os.environ.get("UDG_PAGE_SHOTS")
    folder = tempfile.mkdtemp(prefix="underdigit-page-")
    browser = None
    try:
        url = make_store(folder, command, reference)
        browser = browsing.Browser(program, folder)
        page = Page(browser, url, shots)
        for check in (check_opening, check_hostile_texts, check_copies, check_filters, check_many_rows, check_keys):
            check(page)
            print("ok", check.__name__)
        check_marks_are_of_one_store(page, folder, command, reference)
        print("ok check_marks_are_of_one_store")
        check_marks(page, folder, command)
        print("ok check_marks")
        for check in (check_accessibility, check_phone, check_quiet):
            check(page)
            print("ok", check.__name__)
    finally:
        if browser:
            browser.close()
        shutil.rmtree(folder, ignore_errors=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
