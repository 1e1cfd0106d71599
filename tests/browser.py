"""A headless Chromium, driven over a pipe by the DevTools protocol: no package, no port, no network."""

from __future__ import annotations

import fcntl
import json
import os
import select
import shutil
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)

_FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
    "--remote-debugging-pipe",
)
_PATIENCE_S = 60.0
_START = (
    "import os, sys; r, w = map(int, sys.argv[1:3]); os.dup2(r, 3); os.dup2(w, 4); os.execv(sys.argv[3], sys.argv[3:])"
)


class Browser:
    """One tab; it keeps every request and everything that is said on the console."""

    def __init__(self, profile: Path) -> None:
        assert CHROMIUM is not None
        (theirs_in, self._to), (self._from, theirs_out) = os.pipe(), os.pipe()
        read, write = (fcntl.fcntl(fd, fcntl.F_DUPFD, 10) for fd in (theirs_in, theirs_out))
        os.close(theirs_in)
        os.close(theirs_out)
        words = [sys.executable, "-c", _START, str(read), str(write), CHROMIUM, *_FLAGS, f"--user-data-dir={profile}"]
        self._process = subprocess.Popen(
            words, pass_fds=(read, write), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        os.close(read)
        os.close(write)
        self._rest, self._last, self._session = b"", 0, ""
        self.requests: list[str] = []
        self.said: list[str] = []
        target = self.call("Target.createTarget", url="about:blank")["targetId"]
        self._session = self.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Network", "Log"):
            self.call(f"{domain}.enable")

    def close(self) -> None:
        self._session = ""
        self.call("Browser.close")
        self._process.wait(20)
        os.close(self._to)
        os.close(self._from)

    def call(self, method: str, **params: Any) -> dict[str, Any]:
        self._last += 1
        session = {"sessionId": self._session} if self._session else {}
        os.write(
            self._to, json.dumps({"id": self._last, "method": method, "params": params} | session).encode() + b"\0"
        )
        while True:
            message = self._read()
            if message.get("id") == self._last:
                assert "error" not in message, message
                return message["result"]

    def open(self, path: Path, *, width: int = 1200, height: int = 900) -> None:
        """Load a file and wait until its pictures are there."""
        self.call("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=False)
        self.call("Page.navigate", url=path.as_uri())
        until = time.monotonic() + _PATIENCE_S
        ready = "document.readyState === 'complete' && location.protocol === 'file:' && [...document.images].every((i) => i.complete)"
        while self.ask(ready) is not True:
            assert time.monotonic() < until
            time.sleep(0.05)

    def ask(self, script: str) -> Any:
        result = self.call("Runtime.evaluate", expression=script, returnByValue=True)
        assert "exceptionDetails" not in result, result
        return result["result"].get("value")

    def press(self, key: str, *, shift: bool = False) -> None:
        for kind in ("keyDown", "keyUp"):
            text = {"text": key} if kind == "keyDown" and len(key) == 1 else {}
            self.call("Input.dispatchKeyEvent", type=kind, key=key, modifiers=8 if shift else 0, **text)

    def point(self, x: float, y: float, *, click: bool = False) -> None:
        self.call("Input.dispatchMouseEvent", type="mouseMoved", x=x, y=y)
        for kind in ("mousePressed", "mouseReleased") if click else ():
            self.call("Input.dispatchMouseEvent", type=kind, x=x, y=y, button="left", clickCount=1)

    def _read(self) -> dict[str, Any]:
        while b"\0" not in self._rest:
            ready, _, _ = select.select([self._from], [], [], _PATIENCE_S)
            assert ready, "the browser does not answer"
            more = os.read(self._from, 1 << 20)
            assert more, "the browser has gone"
            self._rest += more
        whole, self._rest = self._rest.split(b"\0", 1)
        message: dict[str, Any] = json.loads(whole)
        match message.get("method"):
            case "Network.requestWillBeSent":
                self.requests.append(message["params"]["request"]["url"])
            case "Runtime.consoleAPICalled" | "Runtime.exceptionThrown" | "Log.entryAdded":
                self.said.append(json.dumps(message["params"]))
        return message
