# SPDX-License-Identifier: GPL-2.0-or-later
"""A headless Chromium, driven through its debugging protocol over pipes."""
import base64
import fcntl
import json
import os
import select
import shutil
import subprocess
import time

WAIT_S = 120


def find():
    for name in ("chromium", "chromium-browser", "google-chrome"):
        path = shutil.which(name)
        if path:
            return path
    return None


class Browser:
    def __init__(self, program, folder):
        to_browser, self.out = os.pipe()
        self.inp, from_browser = os.pipe()

        def place():
            # The browser reads on 3 and writes on 4.
            read = fcntl.fcntl(to_browser, fcntl.F_DUPFD, 20)
            write = fcntl.fcntl(from_browser, fcntl.F_DUPFD, 20)
            os.dup2(read, 3)
            os.dup2(write, 4)

        self.process = subprocess.Popen(
            [program, "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage",
             "--disable-background-networking", "--no-first-run", "--remote-debugging-pipe",
             "--user-data-dir=" + os.path.join(folder, "profile"), "about:blank"],
            stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
            preexec_fn=place, pass_fds=(3, 4),
            env={**os.environ, "HOME": folder, "LD_PRELOAD": ""})
        os.close(to_browser)
        os.close(from_browser)
        self.buffer = b""
        self.number = 0
        self.events = []
        self.session = None
        target = self.call("Target.createTarget", url="about:blank")["targetId"]
        self.session = self.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Network", "Log", "DOM", "Accessibility"):
            self.call(domain + ".enable")

    def close(self):
        self.process.kill()
        self.process.wait()
        os.close(self.out)
        os.close(self.inp)

    def receive(self, until):
        while b"\0" not in self.buffer:
            ready = select.select([self.inp], [], [], max(until - time.monotonic(), 0))[0]
            if not ready:
                raise TimeoutError("the browser does not answer")
            chunk = os.read(self.inp, 1 << 20)
            if not chunk:
                raise EOFError("the browser went away")
            self.buffer += chunk
        text, self.buffer = self.buffer.split(b"\0", 1)
        return json.loads(text)

    def call(self, method, **parameters):
        self.number += 1
        message = {"id": self.number, "method": method, "params": parameters}
        if self.session:
            message["sessionId"] = self.session
        os.write(self.out, json.dumps(message).encode() + b"\0")
        until = time.monotonic() + WAIT_S
        while True:
            answer = self.receive(until)
            if answer.get("id") == self.number:
                if "error" in answer:
                    raise RuntimeError(method + ": " + json.dumps(answer["error"]))
                return answer["result"]
            self.events.append(answer)

    def wait_event(self, method):
        until = time.monotonic() + WAIT_S
        while True:
            for i, event in enumerate(self.events):
                if event.get("method") == method:
                    return self.events.pop(i)
            self.events.append(self.receive(until))

    def open(self, url):
        self.events = [e for e in self.events if e.get("method") != "Page.loadEventFired"]
        self.call("Page.navigate", url=url)
        self.wait_event("Page.loadEventFired")

    def ask(self, expression):
        result = self.call("Runtime.evaluate", expression=expression, returnByValue=True,
                           awaitPromise=True)
        if "exceptionDetails" in result:
            raise RuntimeError(expression + ": " + json.dumps(result["exceptionDetails"]))
        return result["result"].get("value")

    def settle(self):
        """Two frames: what was asked for is drawn."""
        self.ask("new Promise(r => requestAnimationFrame(() => requestAnimationFrame(() => r(1))))")

    def key(self, key, code=None, text=None, modifiers=0):
        codes = {"Enter": 13, "Tab": 9, "Escape": 27, "ArrowDown": 40, "ArrowUp": 38, "End": 35,
                 "Home": 36}
        event = {"key": key, "windowsVirtualKeyCode": code or codes.get(key, ord(key[0].upper())),
                 "modifiers": modifiers}
        if len(key) == 1 or text:
            event["text"] = text or key
        self.call("Input.dispatchKeyEvent", type="keyDown", **event)
        self.call("Input.dispatchKeyEvent", type="keyUp",
                  **{k: v for k, v in event.items() if k != "text"})
        self.settle()

    def click(self, selector):
        """A real click in the middle of what the selector finds."""
        box = self.ask("(() => { const e = document.querySelector(%s); if (!e) return null;"
                       "e.scrollIntoView({block: 'nearest'}); const b = e.getBoundingClientRect();"
                       "return [b.x + b.width / 2, b.y + b.height / 2]; })()" % json.dumps(selector))
        assert box, selector
        for kind in ("mousePressed", "mouseReleased"):
            self.call("Input.dispatchMouseEvent", type=kind, x=box[0], y=box[1], button="left",
                      clickCount=1)
        self.settle()

    def size(self, width, height, phone=False):
        self.call("Emulation.setDeviceMetricsOverride", width=width, height=height,
                  deviceScaleFactor=1, mobile=phone)
        self.settle()

    def picture(self, path):
        data = self.call("Page.captureScreenshot", format="png")["data"]
        with open(path, "wb") as file:
            file.write(base64.b64decode(data))
