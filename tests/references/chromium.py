"""A headless Chromium, driven over its DevTools pipe: a real browser as judge of the pages.

Messages are JSON, each ended by a zero byte: commands go in on descriptor 3, answers and events
come out on descriptor 4 (https://chromedevtools.github.io/devtools-protocol/).
"""

from __future__ import annotations

import base64
import json
import os
import select
import subprocess
import time
from pathlib import Path
from types import TracebackType
from typing import Any

FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--hide-scrollbars",
    "--remote-debugging-pipe",
)
TIMEOUT = 60.0  # seconds; a loaded machine starts a browser slowly


class Chromium:
    """One browser with one page. What the page does is kept in `events`."""

    def __init__(self, profile: Path) -> None:
        command_read, self._commands = os.pipe()
        self._answers, answer_write = os.pipe()
        # The shell puts the two pipe ends where the browser looks for them.
        shell = f'exec chromium "$@" 3<&{command_read} 4>&{answer_write}'
        self._process = subprocess.Popen(
            ["bash", "-c", shell, "chromium", *FLAGS, f"--user-data-dir={profile}"],
            pass_fds=(command_read, answer_write),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(command_read)
        os.close(answer_write)
        self._buffer = b""
        self._number = 0
        self._session = ""
        self.events: list[dict[str, Any]] = []
        target = self.send("Target.createTarget", url="about:blank")["targetId"]
        attached = self.send("Target.attachToTarget", targetId=target, flatten=True)
        self._session = attached["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.send(f"{domain}.enable")
        self.resize(1120, 900)

    def __enter__(self) -> Chromium:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        value: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._process.terminate()
        self._process.wait(TIMEOUT)
        os.close(self._commands)
        os.close(self._answers)

    def _message(self, deadline: float) -> dict[str, Any]:
        while b"\0" not in self._buffer:
            ready, _, _ = select.select([self._answers], [], [], max(0, deadline - time.time()))
            data = os.read(self._answers, 1 << 20) if ready else b""
            if not data:
                raise AssertionError("the browser does not answer")
            self._buffer += data
        message, self._buffer = self._buffer.split(b"\0", 1)
        result: dict[str, Any] = json.loads(message)
        return result

    def send(self, method: str, **params: Any) -> dict[str, Any]:
        """Send a command and wait for its answer."""
        self._number += 1
        message: dict[str, Any] = {"id": self._number, "method": method, "params": params}
        if self._session:
            message["sessionId"] = self._session
        data = memoryview(json.dumps(message).encode() + b"\0")
        while data:
            data = data[os.write(self._commands, data) :]
        deadline = time.time() + TIMEOUT
        while (answer := self._message(deadline)).get("id") != self._number:
            self.events.append(answer)
        assert "error" not in answer, answer
        result: dict[str, Any] = answer["result"]
        return result

    def open(self, path: Path) -> None:
        """Load a page from the disk and wait until it is complete."""
        self.events.clear()
        self.send("Page.navigate", url=path.as_uri())
        deadline = time.time() + TIMEOUT
        while not any(each.get("method") == "Page.loadEventFired" for each in self.events):
            self.events.append(self._message(deadline))

    def resize(self, width: int, height: int) -> None:
        """Set the size of the window in CSS pixels."""
        self.send("Emulation.setDeviceMetricsOverride", width=width, height=height,
                  deviceScaleFactor=1, mobile=False)  # fmt: skip

    def value(self, expression: str) -> Any:
        """The value of a JavaScript expression in the page."""
        answer = self.send("Runtime.evaluate", expression=expression, returnByValue=True)
        assert "exceptionDetails" not in answer, answer
        return answer["result"].get("value")

    def key(self, name: str, code: int) -> None:
        """Press and release a key, given its name and virtual key code."""
        for kind in ("rawKeyDown", "keyUp"):
            self.send("Input.dispatchKeyEvent", type=kind, key=name, code=name,
                      windowsVirtualKeyCode=code)  # fmt: skip

    def write(self, text: str) -> None:
        """Type a text into what has the focus."""
        self.send("Input.insertText", text=text)

    def click(self, selector: str) -> None:
        """Click the middle of the first element that `selector` finds."""
        self.value(f"document.querySelector({selector!r}).scrollIntoView({{block: 'center'}})")
        box = self.value(
            f"(() => {{const b = document.querySelector({selector!r}).getBoundingClientRect();"
            "return [b.x + b.width / 2, b.y + b.height / 2];})()"
        )
        for kind in ("mousePressed", "mouseReleased"):
            self.send("Input.dispatchMouseEvent", type=kind, x=box[0], y=box[1], button="left",
                      clickCount=1)  # fmt: skip

    def picture(self, selector: str = "html", scale: float = 1) -> bytes:
        """A PNG of the first element that `selector` finds."""
        box = self.value(
            f"(() => {{const b = document.querySelector({selector!r}).getBoundingClientRect();"
            "return [b.x + scrollX, b.y + scrollY, b.width, b.height];})()"
        )
        clip = dict(zip(("x", "y", "width", "height"), box, strict=True), scale=scale)
        shot = self.send("Page.captureScreenshot", clip=clip, captureBeyondViewport=True)
        return base64.b64decode(shot["data"])

    def complaints(self) -> list[str]:
        """Exceptions, console output and log entries since the page was opened."""
        kinds = ("Runtime.exceptionThrown", "Runtime.consoleAPICalled", "Log.entryAdded")
        return [json.dumps(each) for each in self.events if each.get("method") in kinds]

    def requests(self) -> list[str]:
        """Every address that was asked for since the page was opened."""
        return [
            each["params"]["request"]["url"]
            for each in self.events
            if each.get("method") == "Network.requestWillBeSent"
        ]


def keep_picture(browser: Chromium, name: str, otherwise: Path) -> None:
    """Keep a picture of the whole open page as `name`.png, in the folder that
    SPIFLASH_SCREENSHOTS names, else in `otherwise`; an empty page makes it fail."""
    folder = Path(os.environ.get("SPIFLASH_SCREENSHOTS", otherwise))
    folder.mkdir(parents=True, exist_ok=True)
    png = browser.picture()
    # PNG (W3C, third edition), sections 5.2 and 11.2.1: the signature, then width and height.
    assert png[:8] == b"\x89PNG\r\n\x1a\n"
    assert int.from_bytes(png[16:20], "big") >= 800
    assert int.from_bytes(png[20:24], "big") >= 1500
    assert len(png) > 50_000  # in one colour about a thousandth of its pixels
    (folder / f"{name}.png").write_bytes(png)
