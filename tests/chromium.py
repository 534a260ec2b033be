"""A real browser for tests: Debian's chromium, spoken to over its debugging pipe.

The pipe (two file descriptors, messages ended by a zero byte) needs no network and no library.
"""

import base64
import json
import os
import select
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

PROGRAMS = ("chromium", "chromium-browser", "google-chrome")
WAIT_S = 30.0
#: The browser reads commands from descriptor 3 and answers on 4. No shell: some know only 0 to 9.
_AS_3_AND_4 = """
import fcntl, os, sys
high = [fcntl.fcntl(int(text), fcntl.F_DUPFD, 10) for text in sys.argv[1:3]]
for there, one in enumerate(high, start=3):
    os.dup2(one, there)
os.execv(sys.argv[3], sys.argv[3:])
"""
#: What reaches beyond the sides of the window.
STICKS_OUT = """[...document.querySelectorAll("main *")].filter(one => {
    const box = one.getBoundingClientRect();
    return box.width > 2 && (box.left < -1 || box.right > innerWidth + 1);
}).map(one => one.outerHTML.slice(0, 80))"""
#: Text below 8.5 pixels, pictures' own included (their letters shrink with them).
SMALL_LETTERS = """[...document.querySelectorAll("body *")].filter(one =>
    [...one.childNodes].some(node => node.nodeType === 3 && node.data.trim())
    && !["TITLE", "DESC"].includes(one.tagName.toUpperCase())
    && one.getClientRects().length
).map(one => {
    const svg = one.closest("svg");
    const scale = svg ? svg.getBoundingClientRect().width / svg.viewBox.baseVal.width : 1;
    return [parseFloat(getComputedStyle(one).fontSize) * scale, one.textContent];
}).filter(([size]) => size < 8.5)"""
A4 = (8.27, 11.69)
LETTER = (8.5, 11.0)


def find():
    """Path of the program, or None."""
    return next((path for name in PROGRAMS if (path := shutil.which(name))), None)


class Browser:
    """One browser with one tab."""

    def __init__(self):
        self._home = tempfile.TemporaryDirectory(prefix="quietrun-chromium-")
        to_read, self._write = os.pipe()
        self._read, to_write = os.pipe()
        command = [
            find(),
            "--headless=new",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-dev-shm-usage",
            "--no-first-run",
            "--autoplay-policy=no-user-gesture-required",
            "--remote-debugging-pipe",
            f"--user-data-dir={self._home.name}",
            "about:blank",
        ]
        self._process = subprocess.Popen(
            [sys.executable, "-c", _AS_3_AND_4, str(to_read), str(to_write), *command],
            pass_fds=(to_read, to_write),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(to_read)
        os.close(to_write)
        self._count, self._left, self.events, self._session = 0, b"", [], None
        try:
            self._attach()
        except BaseException:
            self.__exit__()
            raise

    def _attach(self):
        target = self.call("Target.createTarget", url="about:blank")["targetId"]
        told = self.call("Target.attachToTarget", targetId=target, flatten=True)
        self._session = told["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.call(f"{domain}.enable")

    def __enter__(self):
        return self

    def __exit__(self, *_):
        try:
            self._session = None
            self.call("Browser.close")
            self._process.wait(10)
        except (OSError, TimeoutError, subprocess.TimeoutExpired):
            self._process.kill()
            self._process.wait()
        os.close(self._read)
        os.close(self._write)
        for _ in range(20):  # its children may still be tidying up
            try:
                self._home.cleanup()
                break
            except OSError:
                time.sleep(0.1)

    def _message(self, until):
        while b"\0" not in self._left:
            ready, _, _ = select.select([self._read], [], [], max(0.0, until - time.monotonic()))
            part = os.read(self._read, 1 << 16) if ready else b""
            if not part:
                raise TimeoutError("the browser did not answer")
            self._left += part
        message, _, self._left = self._left.partition(b"\0")
        return json.loads(message)

    def call(self, method, **params):
        """Send a command and give its result."""
        self._count += 1
        message = {"id": self._count, "method": method, "params": params}
        if self._session is not None:
            message["sessionId"] = self._session
        os.write(self._write, json.dumps(message).encode() + b"\0")
        until = time.monotonic() + WAIT_S
        while True:
            got = self._message(until)
            if got.get("id") == message["id"]:
                assert "error" not in got, got["error"]
                return got["result"]
            self.events.append(got)

    def open(self, path, *, width=1280, height=900, mobile=False, dark=False):
        """Load a page of this disk and wait until all of it is there."""
        scheme = [{"name": "prefers-color-scheme", "value": "dark" if dark else "light"}]
        self.call("Emulation.setEmulatedMedia", media="screen", features=scheme)
        self.call(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=1,
            mobile=mobile,
        )
        self.events.clear()
        self.call("Page.navigate", url=Path(path).resolve().as_uri())
        until = time.monotonic() + WAIT_S
        while not any(event.get("method") == "Page.loadEventFired" for event in self.events):
            self.events.append(self._message(until))

    def js(self, expression):
        """Value of an expression in the page; promises are waited for."""
        told = self.call(
            "Runtime.evaluate",
            expression=expression,
            awaitPromise=True,
            returnByValue=True,
            userGesture=True,
        )
        assert "exceptionDetails" not in told, told["exceptionDetails"]
        return told["result"].get("value")

    def requests(self):
        """Addresses asked for since the page was opened."""
        return [
            event["params"]["request"]["url"]
            for event in self.events
            if event.get("method") == "Network.requestWillBeSent"
        ]

    def complaints(self):
        """What the console would show."""
        found = []
        for event in self.events:
            if event.get("method") == "Log.entryAdded":
                found.append(event["params"]["entry"]["text"])
            elif event.get("method") == "Runtime.exceptionThrown":
                found.append(str(event["params"]["exceptionDetails"]))
            elif event.get("method") == "Runtime.consoleAPICalled":
                found.append(str(event["params"]["args"]))
        return found

    def screenshot(self, path):
        """Whole page as PNG."""
        told = self.call("Page.captureScreenshot", format="png", captureBeyondViewport=True)
        Path(path).write_bytes(base64.b64decode(told["data"]))

    def pdf(self, paper=A4):
        """Print to PDF, as the style sheet has it for paper."""
        self.call("Emulation.setEmulatedMedia", media="print", features=[])
        told = self.call(
            "Page.printToPDF",
            paperWidth=paper[0],
            paperHeight=paper[1],
            printBackground=True,
            preferCSSPageSize=True,
        )
        return base64.b64decode(told["data"])
