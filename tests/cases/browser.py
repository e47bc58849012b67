"""A headless browser driven through a pair of pipes: no port is opened, nothing is fetched.

The DevTools protocol as messages of JSON that end in a NUL, `--remote-debugging-pipe`: the browser
reads commands from descriptor 3 and writes replies and events to descriptor 4.
"""

from __future__ import annotations

import base64
import json
import os
import select
import shutil
import subprocess
import time

CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser"))), None)
_FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-dev-shm-usage",
    "--remote-debugging-pipe",
    "--host-resolver-rules=MAP * ~NOTFOUND",  # a page that needs the network is seen to fail
)
_TROUBLE = ("Runtime.exceptionThrown", "Runtime.consoleAPICalled", "Log.entryAdded")


class Page:
    """One page in a browser of its own; use in a `with` statement."""

    def __init__(self, profile, seconds: float = 60.0) -> None:
        assert CHROMIUM is not None
        self._seconds = seconds
        self._number = 0
        self._rest = b""
        self.events: list[dict] = []
        there, self._out = os.pipe()
        self._in, back = os.pipe()
        # Which descriptors the pipes get is not ours to say, so the shell puts them in place.
        script = f'exec "$@" 3<&{there} 4>&{back}'
        self._process = subprocess.Popen(
            [*("bash", "-c", script, "bash"), CHROMIUM, *_FLAGS, f"--user-data-dir={profile}"],
            pass_fds=(there, back),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(there)
        os.close(back)
        self._session = None
        target = self._call("Target.createTarget", url="about:blank")["targetId"]
        attached = self._call("Target.attachToTarget", targetId=target, flatten=True)
        self._session = attached["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Network"):
            self._call(f"{domain}.enable")

    def __enter__(self) -> Page:
        return self

    def __exit__(self, *_: object) -> None:
        self._process.terminate()
        try:
            self._process.wait(10)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait(10)
        os.close(self._in)
        os.close(self._out)

    def _call(self, method: str, **parameters):
        self._number += 1
        message = {"id": self._number, "method": method, "params": parameters}
        if self._session:
            message["sessionId"] = self._session
        os.write(self._out, json.dumps(message).encode() + b"\0")
        while True:
            reply = self._next()
            if reply.get("id") == self._number:
                assert "error" not in reply, (method, reply["error"])
                return reply["result"]
            self.events.append(reply)

    def _next(self):
        ends = time.monotonic() + self._seconds
        while b"\0" not in self._rest:
            ready, _, _ = select.select([self._in], [], [], max(0.0, ends - time.monotonic()))
            assert ready, "the browser does not answer"
            part = os.read(self._in, 1 << 20)
            assert part, "the browser has ended"
            self._rest += part
        message, self._rest = self._rest.split(b"\0", 1)
        return json.loads(message)

    def look_at(self, path, *, width: int, height: int = 900, media: str = "", scheme="light"):
        """Load a file at a width in CSS pixels, as on a screen or in print."""
        self.events.clear()
        self._call(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=1,
            mobile=False,
        )
        feature = {"name": "prefers-color-scheme", "value": scheme}
        self._call("Emulation.setEmulatedMedia", media=media, features=[feature])
        self._call("Page.navigate", url=path.resolve().as_uri())
        while not any(e.get("method") == "Page.loadEventFired" for e in self.events):
            self.events.append(self._next())

    def value(self, expression: str):
        """What a JavaScript expression gives, as plain data."""
        reply = self._call("Runtime.evaluate", expression=expression, returnByValue=True)
        assert "exceptionDetails" not in reply, reply
        return reply["result"].get("value")

    def trouble(self) -> list[dict]:
        """Errors, warnings and messages in the console since the page was loaded."""
        self.value("1")  # what has happened by now has been told by now
        return [event for event in self.events if event.get("method") in _TROUBLE]

    def requests(self) -> list[str]:
        """Addresses asked for since the page was loaded."""
        return [
            event["params"]["request"]["url"]
            for event in self.events
            if event.get("method") == "Network.requestWillBeSent"
        ]

    def picture(self, box: dict[str, float] | None = None) -> bytes:
        """A PNG of a box {x, y, width, height} of the page, or of what is in sight."""
        extra = {} if box is None else {"clip": {**box, "scale": 1}, "captureBeyondViewport": True}
        return base64.b64decode(self._call("Page.captureScreenshot", format="png", **extra)["data"])

    def printed(self) -> bytes:
        """The page as a PDF, paper size as the page asks."""
        reply = self._call("Page.printToPDF", preferCSSPageSize=True, printBackground=False)
        return base64.b64decode(reply["data"])
