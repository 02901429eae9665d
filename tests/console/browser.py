"""A real browser for tests: headless Chromium, spoken to over its own pipe, with a profile of its own.

`Browser` opens a file at a given width and tells what it asked for over the network, which errors it met, and what any
expression on the page is worth. Absent where no Chromium is installed; see `CHROMIUM`.
"""

from __future__ import annotations

import base64
import contextlib
import fcntl
import json
import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

CHROMIUM = shutil.which("chromium")
_FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--disable-dev-shm-usage",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--hide-scrollbars",
    "--remote-debugging-pipe",
)
_WATCHED = ("Network.requestWillBeSent", "Runtime.exceptionThrown", "Log.entryAdded", "Runtime.consoleAPICalled")


class Browser:
    """One page of a running Chromium."""

    def __init__(self, process: subprocess.Popen[bytes], to: int, of: int) -> None:
        self._process = process
        self._to, self._of = to, of
        self._held = b""
        self._sent = 0
        self._session = ""
        self.events: list[dict[str, Any]] = []
        target = self.call("Target.createTarget", url="about:blank")["targetId"]
        self._session = self.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Network", "Runtime", "Log"):
            self.call(f"{domain}.enable")

    def call(self, method: str, **parameters: Any) -> dict[str, Any]:
        """Send one command and return its result; events that come meanwhile are kept."""
        self._sent += 1
        message: dict[str, Any] = {"id": self._sent, "method": method, "params": parameters}
        if self._session:
            message["sessionId"] = self._session
        os.write(self._to, json.dumps(message).encode() + b"\0")
        while True:
            found = self._next()
            if found.get("id") == self._sent:
                assert "error" not in found, found
                result: dict[str, Any] = found["result"]
                return result
            self.events.append(found)

    def open(self, file: Path, width: int, height: int = 800) -> None:
        """Show a file at a width in CSS pixels, as a phone shows it up to 500 of them; forgets earlier events."""
        self.call(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=1,
            mobile=width <= 500,
        )
        self.events.clear()
        self.call("Page.navigate", url=file.resolve().as_uri())
        while not any(event.get("method") == "Page.loadEventFired" for event in self.events):
            self.events.append(self._next())

    def value(self, expression: str) -> Any:
        """What an expression is worth on the page."""
        found = self.call("Runtime.evaluate", expression=expression, returnByValue=True)
        assert "exceptionDetails" not in found, found
        return found["result"].get("value")

    def requests(self) -> list[str]:
        """Addresses asked for since the page was opened, its own among them."""
        return [
            event["params"]["request"]["url"]
            for event in self.events
            if event.get("method") == "Network.requestWillBeSent"
        ]

    def complaints(self) -> list[dict[str, Any]]:
        """Errors, warnings and console output since the page was opened."""
        return [event for event in self.events if event.get("method") in _WATCHED[1:]]

    def pdf(self) -> bytes:
        """The page printed, on the paper it asks for."""
        found = self.call("Page.printToPDF", preferCSSPageSize=True, printBackground=False)
        return base64.b64decode(found["data"])

    def picture(self) -> bytes:
        """The whole page as PNG."""
        found = self.call("Page.captureScreenshot", captureBeyondViewport=True)
        return base64.b64decode(found["data"])

    def _next(self) -> dict[str, Any]:
        while b"\0" not in self._held:
            more = os.read(self._of, 1 << 16)
            assert more, f"the browser ended with code {self._process.poll()}"
            self._held += more
        line, self._held = self._held.split(b"\0", 1)
        found: dict[str, Any] = json.loads(line)
        return found


def _pipe() -> tuple[int, int]:
    """Both ends of a pipe, numbered above what the browser needs for itself."""
    ends = os.pipe()
    high = fcntl.fcntl(ends[0], fcntl.F_DUPFD_CLOEXEC, 10), fcntl.fcntl(ends[1], fcntl.F_DUPFD_CLOEXEC, 10)
    for end in ends:
        os.close(end)
    return high


@contextlib.contextmanager
def browser() -> Iterator[Browser]:
    """A browser for as long as the block lasts."""
    assert CHROMIUM is not None
    theirs_in, ours_out = _pipe()
    ours_in, theirs_out = _pipe()
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        # The browser reads commands from 3 and writes answers to 4; a shell puts our pipes there.
        process = subprocess.Popen(
            [
                *("bash", "-c", f'exec "$@" 3<&{theirs_in} 4>&{theirs_out}', "bash", CHROMIUM),
                *(*_FLAGS, f"--user-data-dir={profile}"),
            ],
            pass_fds=(theirs_in, theirs_out),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(theirs_in)
        os.close(theirs_out)
        try:
            yield Browser(process, ours_out, ours_in)
        finally:
            process.kill()
            process.wait()
            os.close(ours_out)
            os.close(ours_in)
