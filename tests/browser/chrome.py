"""A real browser without a window, driven through its own debugging channel on this machine's loopback."""

from __future__ import annotations

import base64
import json
import subprocess
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import websocket

from workbook_lib.render import pdf

START_S, WAIT_S = 30, 60
LOOPBACK_ONLY = "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1"
COMPLAINTS = ("error", "assert", "warning")
"""Kinds of console message that a page must not give."""


class Chrome:
    """One tab: opens addresses, answers expressions, and keeps what the page asked for and complained about."""

    def __init__(self, browser: str):
        self._folder = tempfile.TemporaryDirectory(prefix="workbook-browser-", ignore_cleanup_errors=True)
        profile = Path(self._folder.name)
        line = [*pdf.arguments(browser, profile), LOOPBACK_ONLY, "--remote-debugging-port=0", "about:blank"]
        self._process = subprocess.Popen(line, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        self.requests: list[str] = []
        self.complaints: list[str] = []
        self._number = 0
        self._loaded = False
        try:
            port, path = self._port(profile / "DevToolsActivePort")
            self._channel = websocket.create_connection(f"ws://127.0.0.1:{port}{path}", timeout=WAIT_S, suppress_origin=True)
            self._session = ""
            target = self.call("Target.createTarget", url="about:blank")["targetId"]
            self._session = self.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
            for domain in ("Page", "Runtime", "Network", "Log"):
                self.call(f"{domain}.enable")
        except BaseException:
            self.close()
            raise

    def __enter__(self) -> Chrome:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """End the browser and remove its profile."""
        self._process.terminate()
        try:
            self._process.wait(10)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._folder.cleanup()

    def _port(self, file: Path) -> tuple[str, str]:
        end = time.monotonic() + START_S
        while time.monotonic() < end:
            said = file.read_text(encoding="utf-8").split("\n") if file.is_file() else []
            if len(said) > 1 and said[1]:
                return said[0], said[1]
            if self._process.poll() is not None:
                raise RuntimeError(f"the browser ended with {self._process.returncode}")
            time.sleep(0.05)
        raise RuntimeError(f"the browser gave no debugging channel within {START_S} s")

    def call(self, method: str, **parameters: object) -> dict:
        """Answer of one call of the browser's protocol. Errors: RuntimeError with what the browser says."""
        self._number += 1
        message = {"id": self._number, "method": method, "params": parameters}
        self._channel.send(json.dumps(message | ({"sessionId": self._session} if self._session else {})))
        while True:
            answer = json.loads(self._channel.recv())
            if answer.get("id") == self._number:
                if "error" in answer:
                    raise RuntimeError(f"{method}: {answer['error']['message']}")
                return answer["result"]
            self._note(answer)

    def _note(self, event: dict) -> None:
        method, said = event.get("method"), event.get("params", {})
        if method == "Network.requestWillBeSent":
            self.requests.append(said["request"]["url"])
        elif method == "Runtime.consoleAPICalled" and said["type"] in COMPLAINTS:
            self.complaints.append(str([one.get("value", one.get("description")) for one in said["args"]]))
        elif method == "Runtime.exceptionThrown":
            self.complaints.append(str(said["exceptionDetails"].get("exception", {}).get("description")))
        elif method == "Log.entryAdded" and said["entry"]["level"] in COMPLAINTS:
            self.complaints.append(said["entry"]["text"])
        elif method == "Page.loadEventFired":
            self._loaded = True

    def open(self, address: str, width_px: int = 1280, height_px: int = 900) -> None:
        """Open an address at a width and wait until it is loaded."""
        self.call("Emulation.setDeviceMetricsOverride", width=width_px, height=height_px, deviceScaleFactor=1, mobile=False)
        self.requests.clear()
        self.complaints.clear()
        self._loaded = False
        self.call("Page.navigate", url=address)
        self.until(lambda: self.ask("document.readyState") == "complete" and self._loaded, "the page is loaded")

    def ask(self, expression: str, seconds: float = WAIT_S) -> object:
        """Value of an expression in the page, promises awaited, each message for so long. Errors: RuntimeError if it throws."""
        self._channel.settimeout(seconds)
        answer = self.call("Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True)
        self._channel.settimeout(WAIT_S)
        if "exceptionDetails" in answer:
            raise RuntimeError(answer["exceptionDetails"].get("exception", {}).get("description", "the expression failed"))
        return answer["result"].get("value")

    def until(self, true: Callable[[], object], what: str, seconds: float = WAIT_S) -> None:
        """Wait until something holds. Errors: TimeoutError that says what did not come."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            if true():
                return
            time.sleep(0.1)
        raise TimeoutError(f"within {seconds:.0f} s not so: {what}")

    def picture(self, file: Path) -> Path:
        """Save what stands in the window."""
        file.write_bytes(base64.b64decode(self.call("Page.captureScreenshot")["data"]))
        return file
