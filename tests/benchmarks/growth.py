"""Measure what grows with years, charge points and topics: ``python -m tests.benchmarks.growth``.

Each quantity at several sizes, with the exponent of its growth: 1 is in proportion, 0 is no growth.
Python's own start is within each time of a whole command.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from time import perf_counter

import click
from paho.mqtt import publish

from adapters.ledger.ledger import open_ledger
from config.household.loading import load_household
from tests.benchmarks import starting
from tests.benchmarks.households import demo, many, point_names
from tests.benchmarks.ledger_filling import fill
from tests.benchmarks.ledger_years import MONTH, run_command
from tests.benchmarks.machine import machine
from tests.benchmarks.processes import busy_seconds, daemon, memory
from tests.benchmarks.table import Row, durations, table
from tests.benchmarks.timed_bus import HOUSEHOLD, TimedBus, timed_bus
from tests.benchmarks.timing import exponent, timed
from tests.support.brokers import Mosquitto

NIGHTS_A_YEAR = 365
ELSEWHERE = "elsewhere/device"
OF_OURS = f"{HOUSEHOLD}/unknown"


@dataclass(frozen=True)
class Sizes:
    """How far to go, and how many readings a night has."""

    years: tuple[int, ...] = (1, 3, 10, 30)
    readings: int = 300
    points: tuple[int, ...] = (10, 100, 300, 1000)
    topics: tuple[int, ...] = (100, 1000, 10_000)
    patience_seconds: float = 600


FULL = Sizes()

QUICK = Sizes(years=(1, 3), readings=50, points=(2, 10), topics=(100, 1000))


def rows(sizes: Sizes, say: Callable[[str], None]) -> list[Row]:
    """Measure everything; `say` gets a line for each measurement."""
    return [*of_years(sizes, say), *of_topics(sizes, say), *of_points(sizes, say)]


def of_years(sizes: Sizes, say: Callable[[str], None]) -> list[Row]:
    """Time what opens and reads a ledger of so many years."""
    found: dict[str, list[float]] = {}
    for years in sizes.years:
        say(f"a ledger of {years} years")
        with TemporaryDirectory() as directory:
            house = demo(Path(directory), "mqtt://127.0.0.1:1")
            path = load_household(house).ledger.path
            fill(path, years * NIGHTS_A_YEAR, sizes.readings)
            month = "{}-{}".format(*MONTH)
            took, ledger = timed(open_ledger, path)
            ledger.close()
            found.setdefault("opened to be written", []).append(took)
            for what, asked in {"nights": ["nights"], "month": ["month", month]}.items():
                command = [asked[0], str(house), *asked[1:]]
                found.setdefault(f"lullwatt {what}", []).append(timed(run_command, command)[0])
    return _rows("years", sizes.years, found)


def of_topics(sizes: Sizes, say: Callable[[str], None]) -> list[Row]:
    """Time a daemon's start at a broker that keeps so many messages."""
    found: dict[str, list[float]] = {}
    for count in sizes.topics:
        for whose, root in (("of others", ELSEWHERE), ("of unknown points", OF_OURS)):
            say(f"{count} retained topics {whose}")
            with TemporaryDirectory() as directory, ExitStack() as ending:
                broker, bus = ending.enter_context(timed_bus(Path(directory) / "broker"))
                _retain(broker, root, count)
                house = demo(Path(directory), broker.bus.broker)
                begun = perf_counter()
                pid = ending.enter_context(starting.started(bus, ["driveway"], house))
                found.setdefault(f"{whose}: start, then quiet", []).append(perf_counter() - begun)
                found.setdefault(f"{whose}: CPU", []).append(busy_seconds(pid))
                found.setdefault(f"{whose}: memory [MB]", []).append(memory(pid).rss_mb)
    return _rows("topics", sizes.topics, found)


def of_points(sizes: Sizes, say: Callable[[str], None]) -> list[Row]:
    """Time one evening of so many charge points behind one fuse."""
    found: dict[str, list[float]] = {}
    for count in sizes.points:
        say(f"{count} charge points")
        points = point_names(count)
        with TemporaryDirectory() as directory, ExitStack() as ending:
            broker, bus = ending.enter_context(timed_bus(Path(directory) / "broker"))
            house = many(Path(directory), broker.bus.broker, count)
            for what, value in _evening(ending, bus, points, house, sizes.patience_seconds):
                found.setdefault(what, []).append(value)
    return _rows("points", sizes.points, found)


def _evening(
    ending: ExitStack, bus: TimedBus, points: list[str], house: Path, seconds: float
) -> list[tuple[str, float]]:
    pids: list[int] = []
    started = bus.commands_of_all(
        points, lambda: pids.append(ending.enter_context(daemon(house))), seconds
    )
    bus.settle()
    busy = busy_seconds(pids[0])

    def plug_in() -> None:
        for number, point in enumerate(points):  # no two alike, so that each has its own plan
            bus.send(point, "vehicle", pilot="C", soc_percent=40 + number % 100 / 5)

    waited = bus.commands_of_all(points, plug_in, seconds)
    return [
        ("start until all are commanded", max(started)),
        ("all plugged in at once, last command", max(waited)),
        ("CPU of that evening", busy_seconds(pids[0]) - busy),
        ("memory [MB]", memory(pids[0]).rss_mb),
    ]


def _retain(broker: Mosquitto, root: str, count: int) -> None:
    """Leave so many retained messages, a few hundred bytes each, one a topic."""
    body = b'{"v": 1, "pilot": "A", "note": "' + b"x" * 200 + b'"}'
    # The broker reads them in order: only the last has to be waited for.
    messages: publish.MessagesList = [
        (f"{root}-{number}/vehicle", body, int(number == count - 1), True)
        for number in range(count)
    ]
    host, _, port = broker.bus.broker.removeprefix("mqtt://").rpartition(":")
    publish.multiple(messages, hostname=host, port=int(port))


def _rows(of: str, sizes: Sequence[int], found: dict[str, list[float]]) -> list[Row]:
    return [
        Row(
            f"{', '.join(map(str, sizes))} {of}: {what}",
            "",
            f"{_written(what, values)}; exponent {exponent(sizes, values):.2f}",
        )
        for what, values in found.items()
    ]


def _written(what: str, values: Sequence[float]) -> str:
    return ", ".join(f"{v:.0f}" for v in values) if "[MB]" in what else durations(values)


@click.command()
@click.option("--quick", is_flag=True, help="Few years, charge points and topics: a minute.")
@click.option("--only", type=click.Choice(["years", "topics", "points"]), help="One part of it.")
def main(*, quick: bool, only: str | None) -> None:
    """Print what grows with years, topics and charge points, and with which exponent."""
    sizes = QUICK if quick else FULL
    parts = {"years": of_years, "topics": of_topics, "points": of_points}
    found: list[Row] = []
    for name, part in parts.items():
        if only in (None, name):
            found += part(sizes, lambda what: click.echo(f"{what} ...", err=True))
    click.echo(table(found))
    click.echo(f"\n{machine('paho-mqtt')}")


if __name__ == "__main__":
    main()
