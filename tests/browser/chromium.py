"""A headless Chromium of the tests' own, spoken to over a pair of pipes in its own protocol; gone afterwards.

Where there is none the tests are skipped with the reason, unless REPEATAB_CHROMIUM_NEEDED is set, as .ci/run does:
then they fail. Protocol: https://chromedevtools.github.io/devtools-protocol/, messages of JSON ended by a zero byte.
"""

from __future__ import annotations

import base64
import fcntl
import json
import os
import select
import shutil
import signal
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

Message = dict[str, Any]

_NAMES = ("chromium", "chromium-browser")
_FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--remote-debugging-pipe",
    "--disable-background-networking", "--disable-component-update", "--disable-sync", "--disable-dev-shm-usage",
    "--hide-scrollbars", "--force-color-profile=srgb", "--lang=en-GB",
)  # fmt: skip
_PATIENCE = 60.0


def refuse(reason: str) -> None:
    """Skip the test, or fail where the browser is needed."""
    if os.environ.get("REPEATAB_CHROMIUM_NEEDED"):
        pytest.fail(f"Chromium is needed here: {reason}")
    pytest.skip(f"no Chromium: {reason}")


def program() -> Path | None:
    """The browser on the path, if any."""
    return next((Path(found) for name in _NAMES if (found := shutil.which(name))), None)


@contextmanager
def running() -> Iterator[Browser]:
    """Start a browser with an empty profile."""
    path = program()
    if path is None:
        refuse("it was not found; install Chromium (Debian: apt-get install chromium)")
        return
    home = Path(tempfile.mkdtemp(prefix="repeatab-chromium-"))
    browser = Browser.started(path, home)
    try:
        browser.call("Browser.getVersion")
        yield browser
    finally:
        browser.stop()
        shutil.rmtree(home, ignore_errors=True)


@dataclass
class Browser:
    """A running browser: `call` asks and waits for the answer, events on the way are kept."""

    process: int
    to: int
    out: int
    log: Path
    events: list[Message] = field(default_factory=list)
    _asked: int = 0
    _rest: bytes = b""

    @classmethod
    def started(cls, path: Path, home: Path) -> Browser:
        # The browser reads from 3 and writes to 4, so our own ends must lie higher.
        ours = [_high(end) for end in (*os.pipe(), *os.pipe())]
        its_in, to, out, its_out = ours
        log = home / "log"
        words = [str(path), *_FLAGS, f"--user-data-dir={home / 'profile'}", "about:blank"]
        actions = [
            (os.POSIX_SPAWN_OPEN, 0, os.devnull, os.O_RDONLY, 0),
            (os.POSIX_SPAWN_OPEN, 1, str(log), os.O_WRONLY | os.O_CREAT, 0o600),
            (os.POSIX_SPAWN_DUP2, 1, 2),
            (os.POSIX_SPAWN_DUP2, its_in, 3),
            (os.POSIX_SPAWN_DUP2, its_out, 4),
        ]
        environment = {**os.environ, "HOME": str(home)}
        process = os.posix_spawn(words[0], words, environment, file_actions=actions, setpgroup=0)
        os.close(its_in)
        os.close(its_out)
        return cls(process=process, to=to, out=out, log=log)

    def call(self, method: str, session: str = "", **arguments: Any) -> Message:
        """The answer to a command; a refusal of the browser is an AssertionError with its words."""
        self._asked += 1
        asked: Message = {"id": self._asked, "method": method, "params": arguments}
        if session:
            asked["sessionId"] = session
        os.write(self.to, json.dumps(asked).encode() + b"\0")
        until = time.monotonic() + _PATIENCE
        while True:
            message = self._next(until)
            if message.get("id") == self._asked:
                assert "error" not in message, f"{method}: {message['error']}"
                answer: Message = message["result"]
                return answer
            self.events.append(message)

    def wait_for(self, method: str, session: str) -> None:
        """Wait until the event has come."""
        until = time.monotonic() + _PATIENCE
        seen = 0
        while True:
            for event in self.events[seen:]:
                if event.get("method") == method and event.get("sessionId") == session:
                    return
            seen = len(self.events)
            self.events.append(self._next(until))

    def _next(self, until: float) -> Message:
        while b"\0" not in self._rest:
            ready, _, _ = select.select([self.out], [], [], max(0.0, until - time.monotonic()))
            read = os.read(self.out, 1 << 20) if ready else b""
            if not read:
                said = self.log.read_text(errors="replace")[-600:] if self.log.exists() else ""
                raise AssertionError(f"Chromium {'ended' if ready else 'does not answer'}: {said}")
            self._rest += read
        first, self._rest = self._rest.split(b"\0", 1)
        message: Message = json.loads(first)
        return message

    def stop(self) -> None:
        """End the browser and what it started."""
        for end in (self.to, self.out):
            os.close(end)
        with suppress(ProcessLookupError, PermissionError):
            os.killpg(self.process, signal.SIGKILL)
        os.waitpid(self.process, 0)

    @contextmanager
    def page(self, path: Path, *, width: int = 1280, height: int = 900) -> Iterator[Page]:
        """Open a file in a tab of its own."""
        target = self.call("Target.createTarget", url="about:blank")["targetId"]
        session = self.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        page = Page(browser=self, session=session)
        try:
            for domain in ("Page", "Runtime", "Log", "Network"):
                page.call(f"{domain}.enable")
            page.resize(width, height)
            page.call("Page.navigate", url=path.resolve().as_uri())
            self.wait_for("Page.loadEventFired", session)
            yield page
        finally:
            self.call("Target.closeTarget", targetId=target)
            self.events.clear()


@dataclass(frozen=True)
class Page:
    """A page in the browser."""

    browser: Browser
    session: str

    def call(self, method: str, **arguments: Any) -> Message:
        return self.browser.call(method, self.session, **arguments)

    def events(self, *methods: str) -> list[Message]:
        """What happened so far, of these kinds."""
        return [
            event["params"]
            for event in self.browser.events
            if event.get("sessionId") == self.session and event.get("method") in methods
        ]

    def value(self, expression: str) -> Any:
        """The value of an expression in the page."""
        found = self.call("Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in found, found["exceptionDetails"]
        return found["result"].get("value")

    def resize(self, width: int, height: int, *, mobile: bool = False) -> None:
        self.call(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=1,
            mobile=mobile,
        )

    def medium(self, name: str) -> None:
        """Show the page as on "screen" or "print"."""
        self.call("Emulation.setEmulatedMedia", media=name)

    def press(self, key: str, *, shift: bool = False) -> None:
        """Press and release a key."""
        code = {"Tab": 9, "Enter": 13, " ": 32}[key]
        text = {"Enter": "\r", " ": " "}.get(key, "")
        held = {"key": key, "windowsVirtualKeyCode": code, "modifiers": 8 if shift else 0}
        self.call("Input.dispatchKeyEvent", type="keyDown" if text else "rawKeyDown", text=text, **held)
        self.call("Input.dispatchKeyEvent", type="keyUp", **held)

    def screenshot(self, path: Path, *, whole: bool = True) -> None:
        found = self.call("Page.captureScreenshot", captureBeyondViewport=whole)
        path.write_bytes(base64.b64decode(found["data"]))

    def pdf(self) -> bytes:
        """The page on the paper that it asks for."""
        return base64.b64decode(self.call("Page.printToPDF", preferCSSPageSize=True)["data"])


def _high(end: int) -> int:
    """A copy of a descriptor that is not in the way of 3 and 4, kept from other programs."""
    copy = fcntl.fcntl(end, fcntl.F_DUPFD_CLOEXEC, 10)
    os.close(end)
    return copy
