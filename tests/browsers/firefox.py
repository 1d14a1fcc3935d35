"""The same flow once in Debian's Firefox, if it is installed, over its remote protocol.

Firefox speaks Marionette: messages of JSON over TCP, each after its length and a colon.
"""

from __future__ import annotations

import json
import shutil
import socket
import subprocess
from contextlib import ExitStack
from typing import TYPE_CHECKING, Any, Final

from adapters.clocks.clock import SystemClock
from tests.support.brokers import free_port
from tests.support.waiting import patience, wait_until

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from tests.support.browsers import ServedPage

PROGRAM: Final = "firefox-esr"
WIDTH: Final = 390


class Firefox:
    """A Firefox without a window.

    Parameters
    ----------
    folder
        For its profile.
    """

    def __init__(self, folder: Path) -> None:
        port = free_port()
        folder.mkdir()
        (folder / "user.js").write_text(
            f'user_pref("marionette.port", {port});\nuser_pref("intl.accept_languages", "en-NZ");\n'
        )
        self._process = subprocess.Popen(
            [PROGRAM, "--headless", "--marionette", "--no-remote", "--profile", str(folder)],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        self._number = 0
        self._socket: socket.socket | None = None
        wait_until(lambda: self._connects(port), patience(60), what="Firefox")
        self._read()
        self.do("NewSession", capabilities={"alwaysMatch": {"acceptInsecureCerts": True}})
        self.do("SetWindowRect", width=WIDTH, height=844)

    def _connects(self, port: int) -> bool:
        try:
            self._socket = socket.create_connection(("127.0.0.1", port), patience(60))
        except OSError:
            return False
        return True

    def close(self) -> None:
        if self._socket is not None:
            self._socket.close()
        self._process.terminate()
        self._process.wait(patience(20))

    def do(self, command: str, **values: Any) -> Any:  # noqa: ANN401 - JSON
        """Give a WebDriver command, and return what it returns."""
        assert self._socket is not None
        self._number += 1
        body = json.dumps([0, self._number, f"WebDriver:{command}", values])
        self._socket.sendall(f"{len(body.encode())}:{body}".encode())
        _kind, _number, error, result = self._read()
        assert error is None, error
        return result

    def _read(self) -> Any:  # noqa: ANN401 - JSON
        assert self._socket is not None
        length = b""
        while not length.endswith(b":"):
            length += self._socket.recv(1)
        body = b""
        while len(body) < int(length[:-1]):
            body += self._socket.recv(int(length[:-1]) - len(body))
        return json.loads(body)

    def open(self, address: str) -> None:
        self.do("Navigate", url=address)

    def run(self, script: str) -> Any:  # noqa: ANN401 - JSON
        return self.do("ExecuteScript", script=script, args=[])["value"]

    def shows(self, text: str) -> bool:
        return text in self.run("return document.body.innerText")

    def wait(self, text: str) -> None:
        wait_until(lambda: self.shows(text), patience(20), what=text)

    def press(self, selector: str) -> None:
        found = self.do("FindElement", using="css selector", value=selector)["value"]
        [element] = found.values()
        self.do("ElementClick", id=element)


def flow(served: ServedPage, folder: Path, views: tuple[str, ...]) -> Iterator[str]:
    """Pair, look at every view, charge now, and take it back; yield what is wrong."""
    if shutil.which(PROGRAM) is None:
        yield "Firefox is not installed: sudo apt-get install --no-install-recommends firefox-esr"
        return
    with ExitStack() as ending:
        browser = Firefox(folder)
        ending.callback(browser.close)
        url = served.page.url
        browser.open(f"{url}/pair?code={served.code(SystemClock().now())}")
        browser.press("button.main")
        browser.wait("The hatchback will be at")
        for view in views:
            browser.open(f"{url}{view}")
            over = browser.run(
                "const page = document.documentElement; return page.scrollWidth - page.clientWidth"
            )
            if over > 0:
                yield f"Firefox: {view} is {over} px too wide"
        browser.open(url)
        browser.press("#now-1")
        browser.wait("Nothing has changed yet.")
        browser.press("#yes")
        browser.wait("Charge now, at any price")
        browser.press(".wishes button")
        browser.wait("Nothing has changed yet.")
        browser.press("#yes")
        browser.wait("Done.")
        wait_until(
            lambda: not browser.shows("Charge now, at any price"), patience(20), what="taken back"
        )
