"""A real Chromium, driven by Playwright, and a page of a household that it can open."""

from __future__ import annotations

import shutil
from contextlib import contextmanager
from typing import TYPE_CHECKING

import pytest
from playwright.sync_api import sync_playwright

from adapters.host.serving_thread import ServingThread
from daemon.page.devices import Role, code_words, new_code
from daemon.page_service.devices_file import DevicesFile
from daemon.page_service.house_watch import HouseWatch
from daemon.page_service.serving import serve, tls_of
from tests.support.brokers import free_port
from tests.support.waiting import patience

if TYPE_CHECKING:
    import asyncio
    from collections.abc import Callable, Iterator
    from datetime import datetime
    from pathlib import Path

    from playwright.sync_api import Browser

    from tests.support.certificates import Signed


class ServedPage:
    """The page of a household, served on a free port of this machine."""

    def __init__(self, house: Path, signed: Signed | None = None) -> None:
        port = free_port()
        file = house.with_name("with-page.yaml")
        keys = f", certificate_file: {signed.certificate}, key_file: {signed.key}" if signed else ""
        page = f'\npage: {{listen: "127.0.0.1:{port}", devices_file: devices.json{keys}}}\n'
        file.write_text(house.read_text("utf-8") + page, "utf-8")
        watch = HouseWatch(file)
        declared = watch.house().file.page
        assert declared is not None
        self.page = declared
        self.devices = DevicesFile(declared.devices_file)
        tls = tls_of(declared)

        async def serving(stopping: asyncio.Event, listening: Callable[[int], None]) -> None:
            await serve(watch, declared, tls, stopping, listening)

        self._serving = serving
        self.start()

    def start(self) -> None:
        """Serve the page, again on the same port after `stop`."""
        self._thread = ServingThread("page", self._serving)
        self._thread.start(patience(20))

    def stop(self) -> None:
        self._thread.stop(patience(20))
        assert not self._thread.is_alive()

    def code(self, now: datetime, role: Role = "ask") -> str:
        """Return a code as `lullwatt page --pair` prints it."""
        code = new_code(lambda letters: letters[-1])
        self.devices.change(lambda devices: devices.with_offer(code, role, now))
        return code_words(code)


@contextmanager
def chromium(*options: str) -> Iterator[Browser]:
    """Run Debian's Chromium without a window, with more options if needed."""
    program = shutil.which("chromium")
    if program is None:
        pytest.fail("Chromium is not installed: make chromium")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=program,
            args=[
                "--no-sandbox",
                "--disable-dev-shm-usage",
                *options,
            ],  # it opens nothing but our own page
        )
        yield browser
        browser.close()
