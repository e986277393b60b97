"""Chromium as a person at the keyboard uses it."""

from __future__ import annotations

import base64
import json
import re
import subprocess
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import axe_core_python
from websockets.sync.client import connect

if TYPE_CHECKING:
    from collections.abc import Iterator

AXE: Final = (Path(axe_core_python.__file__).parent / "axe.min.js").read_text(encoding="utf-8")
_PATIENCE_S: Final = 60.0


class Chromium:
    """One window of the browser, driven by its own protocol."""

    def __init__(self, folder: Path) -> None:
        words = ["chromium", "--headless=new", "--no-sandbox", "--disable-gpu", "--remote-debugging-port=0"]
        self._process = subprocess.Popen(  # noqa: S603 - the browser of this machine
            [*words, f"--user-data-dir={folder}", "about:blank"], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        port, path = next(_tries(lambda: (folder / "DevToolsActivePort").read_text().split()))
        self._socket = connect(f"ws://127.0.0.1:{port}{path}", max_size=2**27)
        self._number = 0
        target = self._call("Target.createTarget", url="about:blank")["targetId"]
        self._session = self._call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        self._call("Page.enable")
        self.keys = 0

    def go(self, address: str) -> None:
        """Open a page and wait until it is there."""
        self.script("window.old = 1")
        self._call("Page.navigate", url=address)
        self._wait_for_page()

    def press(self, key: str, modifiers: int = 0) -> None:
        """Press a key, and wait for the page it leads to."""
        self.script("window.old = 1")
        self.touch(key, modifiers)
        self._wait_for_page()

    def touch(self, key: str, modifiers: int = 0) -> None:
        """Press a key that leads nowhere."""
        code = {"code": f"Key{key.upper()}", "windowsVirtualKeyCode": ord(key.upper())} if len(key) == 1 else {}
        text = {} if len(key) > 1 else {"unmodifiedText": key} if modifiers else {"text": key}
        self._call("Input.dispatchKeyEvent", type="keyDown", key=key, modifiers=modifiers, **code, **text)
        self._call("Input.dispatchKeyEvent", type="keyUp", key=key, modifiers=modifiers, **code)
        self.keys += 1 + bool(modifiers)

    def script(self, text: str) -> Any:  # noqa: ANN401 - whatever the script gives
        """Run a script in the page and give its value."""
        answer = self._call("Runtime.evaluate", expression=text, returnByValue=True, awaitPromise=True)
        return answer["result"].get("value")

    def width(self, pixels: int) -> None:
        """Make the window so wide."""
        self._call("Emulation.setDeviceMetricsOverride", width=pixels, height=800, deviceScaleFactor=1, mobile=False)

    def without_scripts(self) -> None:
        """Forbid the scripts of pages."""
        self._call("Emulation.setScriptExecutionDisabled", value=True)

    def sheets(self) -> int:
        """Print the page to paper of the size it asks for, and count the sheets."""
        printed = self._call("Page.printToPDF", preferCSSPageSize=True)
        return len(re.findall(rb"/Type\s*/Page\b", base64.b64decode(printed["data"])))

    def smallest_print(self) -> float:
        """Give the size of the smallest letters on paper [pt], pictures left out."""
        self._call("Emulation.setEmulatedMedia", media="print")
        found = self.script(
            "Math.min(...[...document.body.querySelectorAll('*')].filter(one => !one.closest('svg') && "
            "[...one.childNodes].some(node => node.nodeType === 3 && node.data.trim()))"
            ".map(one => parseFloat(getComputedStyle(one).fontSize) * 0.75))"
        )
        self._call("Emulation.setEmulatedMedia", media="")
        return float(found)

    def violations(self, *, contrast: bool = False) -> list[str]:
        """Name the rules for accessible pages that this one breaks.

        This release of the rules (4.4) measures contrast wrongly where a line lies behind another in the window: of
        such pages it is worked out from the style sheet.
        """
        self.script(AXE)
        chosen = f"{{rules: {{'color-contrast': {{enabled: {str(contrast).lower()}}}}}}}"
        told = f"axe.run({chosen}).then(found => found.violations.map(one => one.id + one.nodes[0].html))"
        return list(self.script(told))

    def close(self) -> None:
        """End the browser."""
        self._socket.close()
        self._process.terminate()
        self._process.wait(timeout=30)

    def _wait_for_page(self) -> None:
        there = "window.old === undefined && document.readyState === 'complete' || null"
        next(_tries(lambda: self.script(there) or self._none()))

    def _none(self) -> None:
        raise LookupError

    def _call(self, method: str, **given: Any) -> dict[str, Any]:  # noqa: ANN401 - of the protocol
        self._number += 1
        session = {} if method.startswith("Target.") else {"sessionId": self._session}
        self._socket.send(json.dumps({"id": self._number, "method": method, "params": given, **session}))
        while True:
            answer = json.loads(self._socket.recv(timeout=_PATIENCE_S))
            if answer.get("id") == self._number:
                if "error" in answer:
                    raise LookupError(answer["error"]["message"])
                return dict(answer["result"])


def _tries(attempt: Any) -> Iterator[Any]:  # noqa: ANN401 - any function
    """Try until it works."""
    begun = time.monotonic()
    while True:
        try:
            yield attempt()
        except (LookupError, OSError, ValueError):
            if time.monotonic() - begun > _PATIENCE_S:
                raise
            time.sleep(0.05)
