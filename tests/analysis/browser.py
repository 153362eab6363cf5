"""A headless Chromium over its debugging pipe: pages are opened, pointed at and printed, requests counted.

Speaks the DevTools protocol over file descriptors 3 and 4 (``--remote-debugging-pipe``: JSON, ended by a zero
byte), so that no library and no port is needed. `.ci/run` installs the browser; elsewhere tests are skipped.
"""

from __future__ import annotations

import base64
import json
import os
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tools import tool

QUIET = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--hide-scrollbars",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-extensions",
    # Whatever still wants to leave this machine finds no way out.
    "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1",
    "--remote-debugging-pipe",
)
WITHIN_S = 30.0


@dataclass
class Browser:
    """One open page.

    Attributes:
        requests: Addresses that the page asked for since it was opened.
        refused: Those of them that the browser itself refused to ask for.
        console: Messages, refusals by the content security policy among them.
    """

    out: int
    inp: int
    requests: list[str] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)
    console: list[str] = field(default_factory=list)
    _asked: dict[str, str] = field(default_factory=dict)
    _number: int = 0
    _session: str = ""
    _rest: bytes = b""
    _events: list[dict[str, Any]] = field(default_factory=list)

    def open(self, page: Path | str) -> None:
        """Open a file, or an address of this machine, and wait until it is loaded; counts start anew."""
        address = page if isinstance(page, str) else page.as_uri()
        if not self._session:
            target = self.call("Target.createTarget", url="about:blank")["targetId"]
            self._session = self.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
            for domain in ("Page", "Network", "Log", "Runtime"):
                self.call(f"{domain}.enable")
        self.requests.clear()
        self.refused.clear()
        self.console.clear()
        self.call("Page.navigate", url=address)
        # A page may take the fragment out of its address.
        whole = json.dumps(address.partition("#")[0])
        there = f"document.URL.split('#')[0] === {whole} && document.readyState === 'complete'"
        self._wait_for("Page.loadEventFired")
        while not self.evaluate(there):  # that was the event of the empty page before it, which came late
            self._wait_for("Page.loadEventFired")

    def evaluate(self, expression: str) -> Any:  # noqa: ANN401 - whatever the page answers
        """Value of an expression in the page."""
        answer = self.call("Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in answer, answer
        return answer["result"].get("value")

    def mouse(self, kind: str, x: float, y: float, **more: object) -> None:
        """Move, press, release or turn the wheel."""
        self.call("Input.dispatchMouseEvent", type=kind, x=x, y=y, **more)

    def click(self, x: float, y: float) -> None:
        """Press and release the left button."""
        for kind in ("mousePressed", "mouseReleased"):
            self.mouse(kind, x, y, button="left", clickCount=1)

    def key(self, key: str) -> None:
        """Press a key."""
        text = {"text": "\r" if key == "Enter" else key} if len(key) == 1 or key == "Enter" else {}
        code = {"windowsVirtualKeyCode": {"Tab": 9, "Enter": 13, "Escape": 27}.get(key, 0)}
        self.call("Input.dispatchKeyEvent", type="keyDown", key=key, **text, **code)
        self.call("Input.dispatchKeyEvent", type="keyUp", key=key, **code)

    def resize(self, width: int, height: int, *, dark: bool = False) -> None:
        """The size of the window in CSS pixels, and what its user prefers."""
        self.call(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=1,
            mobile=False,
        )
        wanted = [{"name": "prefers-color-scheme", "value": "dark" if dark else "light"}]
        self.call("Emulation.setEmulatedMedia", features=wanted)

    def picture(self) -> bytes:
        """What is seen, as PNG."""
        return base64.b64decode(self.call("Page.captureScreenshot", format="png")["data"])

    def printed(self, *, width_in: float, height_in: float) -> bytes:
        """The page as printed, margins as the page asks."""
        answer = self.call(
            "Page.printToPDF", paperWidth=width_in, paperHeight=height_in, preferCSSPageSize=True,
            printBackground=False,
        )  # fmt: skip
        return base64.b64decode(answer["data"])

    def call(self, method: str, **params: object) -> dict[str, Any]:
        """Send a command and wait for its answer; events on the way are noted."""
        self._number += 1
        message: dict[str, Any] = {"id": self._number, "method": method, "params": params}
        if self._session and not method.startswith("Target."):
            message["sessionId"] = self._session
        os.write(self.out, json.dumps(message).encode() + b"\0")
        while True:
            answer = self._read()
            if answer.get("id") == self._number:
                assert "error" not in answer, answer
                result: dict[str, Any] = answer["result"]
                return result

    def _wait_for(self, method: str) -> None:
        while not any(event["method"] == method for event in self._events):
            self._read()
        self._events.clear()

    def _read(self) -> dict[str, Any]:
        deadline_s = time.monotonic() + WITHIN_S
        while b"\0" not in self._rest:
            assert time.monotonic() < deadline_s, "the browser does not answer"
            piece = os.read(self.inp, 1 << 16)
            assert piece, "the browser went away"
            self._rest += piece
        line, _, self._rest = self._rest.partition(b"\0")
        message: dict[str, Any] = json.loads(line)
        method, params = message.get("method"), message.get("params", {})
        if method:
            self._events.append(message)
        if method == "Network.requestWillBeSent":
            self.requests.append(params["request"]["url"])
            self._asked[params["requestId"]] = params["request"]["url"]
        if method == "Network.loadingFailed" and params.get("blockedReason") == "csp":
            self.refused.append(self._asked[params["requestId"]])
        if method == "Log.entryAdded":
            self.console.append(params["entry"]["text"])
        if method == "Runtime.exceptionThrown":
            self.console.append(str(params["exceptionDetails"]))
        return message


@contextmanager
def chromium(folder: Path) -> Iterator[Browser]:
    """Start a browser; it is gone when this is left."""
    program = tool("chromium", "chromium-browser")
    theirs_in, out = os.pipe()
    inp, theirs_out = os.pipe()
    # The browser reads descriptor 3 and writes 4; a shell puts them there without touching this process.
    shell = f'exec "$@" 3<&{theirs_in} 4>&{theirs_out}'
    process = subprocess.Popen(
        ["/bin/bash", "-c", shell, "bash", program, *QUIET, f"--user-data-dir={folder / 'profile'}"],
        pass_fds=(theirs_in, theirs_out),
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    os.close(theirs_in)
    os.close(theirs_out)
    try:
        yield Browser(out=out, inp=inp)
    finally:
        process.terminate()
        process.wait(timeout=60.0)
        os.close(out)
        os.close(inp)


@contextmanager
def chromium_anew() -> Iterator[Browser]:
    """A browser with a folder of its own, into which it may still write for a moment after its end."""
    with (
        tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder,
        chromium(Path(folder)) as browser,
    ):
        yield browser
