"""The page as a process of its own, as it is run for a household."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path
from time import monotonic
from typing import TYPE_CHECKING

from adapters.clocks.clock import SystemClock
from daemon.page.devices import code_words, new_code
from daemon.page_service.devices_file import DevicesFile
from tests.support.brokers import free_port
from tests.support.waiting import patience, wait_until

if TYPE_CHECKING:
    from daemon.page.devices import Role


class PageProcess:
    """`lullwatt page` for a household, and what it uses."""

    def __init__(self, house: Path) -> None:
        self.port = free_port()
        file = house.with_name("with-page.yaml")
        declared = f'\npage: {{listen: "127.0.0.1:{self.port}", devices_file: devices.json}}\n'
        file.write_text(house.read_text("utf-8") + declared, "utf-8")
        self._devices = DevicesFile(house.with_name("devices.json"))
        self._codes = iter("23456789ABCDEFGH")
        self._log = house.with_name("page.log")
        with self._log.open("wb") as log:
            self._process = subprocess.Popen(
                [Path(sys.executable).with_name("lullwatt"), "page", str(file)], stderr=log
            )
        wait_until(lambda: "the page is served" in self.log, 60, what="the page is served")

    @property
    def log(self) -> str:
        return self._log.read_text("utf-8")

    @property
    def is_alive(self) -> bool:
        return self._process.poll() is None

    def stop(self) -> float:
        """End it; return how long that took [s]."""
        began = monotonic()
        self._process.terminate()
        self._process.wait(patience(20))
        return monotonic() - began

    def code(self, role: Role = "ask") -> str:
        """Return a code as `lullwatt page --pair` prints it."""
        letter = next(self._codes)
        code = new_code(lambda _: letter)
        now = SystemClock().now()
        self._devices.change(lambda devices: devices.with_offer(code, role, now))
        return code_words(code)

    def memory_mb(self) -> tuple[float, float]:
        """Return what is resident, and its own part of that (RSS and PSS, `man 5 proc`)."""
        text = Path(f"/proc/{self._process.pid}/smaps_rollup").read_text("utf-8")
        found = dict(re.findall(r"^(Rss|Pss): +(\d+) kB", text, re.MULTILINE))
        return int(found["Rss"]) / 1000, int(found["Pss"]) / 1000

    def cpu_seconds(self) -> float:
        """Return the processor time it has used, in hundredths."""
        fields = Path(f"/proc/{self._process.pid}/stat").read_text("utf-8").rpartition(")")[2]
        user, system = fields.split()[11:13]
        return (int(user) + int(system)) / 100
