"""From a message to the command that it brings about, and to its acknowledgement."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from tests.benchmarks.table import Row, at_most, durations
from tests.benchmarks.timed_bus import TimedBus
from tests.benchmarks.timing import median, percentile_99

LATENCY_SECONDS = 0.05
"""Reach (design, section 9)."""

Body = Mapping[str, object]

VEHICLE, REQUEST = "vehicle", "request"
FULL, HALF_FULL = 100, 40

KINDS: dict[str, tuple[tuple[str, Body], tuple[str, Body]]] = {
    "plugged in": ((VEHICLE, {"pilot": "A"}), (VEHICLE, {"pilot": "C"})),
    "charge now": ((REQUEST, {"clear": True}), (REQUEST, {"charge_now": True})),
    "target reached": (
        (VEHICLE, {"soc_percent": HALF_FULL}),
        (VEHICLE, {"soc_percent": FULL}),
    ),
}
"""The preparing message and the timed one of each kind; both change the command."""


def to_command(bus: TimedBus, point: str, count: int) -> dict[str, list[float]]:
    """Time `count` messages of each kind until the command that follows from it [s]."""
    bus.until_acknowledged(point, VEHICLE, pilot="C", soc_percent=HALF_FULL)
    found: dict[str, list[float]] = {}
    for kind, ((leaf, ready), (other, timed)) in KINDS.items():
        found[kind] = []
        bus.until_acknowledged(point, other, **timed)
        bus.settle()
        for number in range(count):
            bus.until_command(point, leaf, **ready)
            bus.pause()
            # A new state of charge each time: the same plan again would take no time.
            soc = {"soc_percent": HALF_FULL + number % 20 / 10} if kind == "plugged in" else {}
            found[kind].append(bus.until_command(point, other, **timed, **soc))
            bus.pause()
    return found


def to_acknowledgement(bus: TimedBus, point: str, count: int, register_kwh: float) -> list[float]:
    """Time readings that change nothing until the daemon has acknowledged each [s]."""
    return [
        bus.until_acknowledged(point, "reading", register_kwh=register_kwh, watts=0)
        for _ in range(count)
    ]


def rows(
    what: str, commands: Mapping[str, Sequence[float]], readings: Sequence[float]
) -> list[Row]:
    """Return rows of the times; the target is for all kinds together."""
    every = [seconds for some in commands.values() for seconds in some]
    return [
        Row(
            f"{what}: message to command, MQTT 5: median, 99th percentile of {len(every)}",
            f"99th under {LATENCY_SECONDS * 1000:.0f} ms",
            _both(every),
            at_most(percentile_99(every), LATENCY_SECONDS),
        ),
        *(Row(f"{what}: the same, {kind}", "", _both(some)) for kind, some in commands.items()),
        Row(f"{what}: a reading that changes nothing to its PUBACK", "", _both(readings)),
    ]


def _both(seconds: Sequence[float]) -> str:
    return durations([median(seconds), percentile_99(seconds)])
