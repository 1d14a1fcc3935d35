"""Measure the daemon while little happens: memory, and its share of a core."""

from __future__ import annotations

from collections.abc import Sequence
from threading import Event
from time import perf_counter

from tests.benchmarks.processes import Memory, busy_seconds
from tests.benchmarks.table import Row, at_most, duration
from tests.benchmarks.timed_bus import TimedBus
from tests.benchmarks.timing import median

RESIDENT_MB = 60
SHARE_OF_CORE = 0.002
"""Reaches (design, section 9)."""

SECONDS_BETWEEN_READINGS = (60, 10)
"""Seconds between readings of a slow and a quick meter."""


class Readings:
    """Meters that show a little more each time.

    Parameters
    ----------
    bus : TimedBus
        Where they publish it.
    points : sequence of str
        Their charge points.
    """

    def __init__(self, bus: TimedBus, points: Sequence[str]) -> None:
        self._bus = bus
        self._points = points
        self._wh = 1_000_000

    @property
    def kwh(self) -> float:
        """What they all show [kWh]."""
        return self._wh / 1000

    def send(self, count: int) -> int:
        """Let each meter send its register so often; return how many messages that were."""
        for _ in range(count):
            self._wh += 1
            for point in self._points:
                self._bus.send(point, "reading", register_kwh=self.kwh, watts=0)
        return count * len(self._points)


def share(pid: int, readings: Readings, seconds: float, every: float) -> float:
    """Return a process's share of a core, with readings every so many seconds."""
    never = Event()
    begun, busy = perf_counter(), busy_seconds(pid)
    while perf_counter() < begun + seconds:
        readings.send(1)
        never.wait(min(every, max(0.0, begun + seconds - perf_counter())))
    return (busy_seconds(pid) - busy) / (perf_counter() - begun)


def row(what: str, every: float, found: float) -> Row:
    """Return a row with a share of a core."""
    return Row(
        f"{what}: share of a core, a reading every {every:g} s",
        f"under {SHARE_OF_CORE:.1%}",
        f"{found:.3%}",
        at_most(found, SHARE_OF_CORE),
    )


def weight(what: str, found: Memory, threads: int) -> Row:
    """Return a row with the resident memory."""
    return Row(
        f"{what}: resident memory",
        f"under {RESIDENT_MB} MB",
        f"{found.rss_mb:.1f} MB (PSS {found.pss_mb:.1f} MB, {threads} threads)",
        at_most(found.rss_mb, RESIDENT_MB),
    )


def evening(what: str, bus: TimedBus, points: Sequence[str]) -> list[Row]:
    """Plug all vehicles in at one instant, and return rows with the delay of their commands."""

    def plug_in() -> None:
        for number, point in enumerate(points):  # no two alike, so that each has its own plan
            bus.send(point, "vehicle", pilot="C", soc_percent=40 + number % 100 / 5)

    waited = bus.commands_of_all(points, plug_in)
    measured = f"{duration(median(waited))}, {duration(max(waited))}"
    return [Row(f"{what} plugged in at one instant: median, last command", "", measured)]
