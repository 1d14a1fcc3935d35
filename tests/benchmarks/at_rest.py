"""Measure the daemon with a real Mosquitto: ``python -m tests.benchmarks.at_rest``.

Memory, share of a core, start-up and latency of `lullwatt run`, with one charge point and with
many. Figures depend on the machine and on what else it does: run it alone.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

import click

from tests.benchmarks import latency, resting, starting
from tests.benchmarks.households import demo, many, point_names
from tests.benchmarks.machine import machine
from tests.benchmarks.processes import memory, threads
from tests.benchmarks.resting import Readings, weight
from tests.benchmarks.table import Row, duration, table
from tests.benchmarks.timed_bus import TimedBus, timed_bus


@dataclass(frozen=True)
class Sizes:
    """How much to measure."""

    starts: int = 10
    rest_seconds: float = 60
    calm_seconds: float = 16
    readings: int = 1000
    messages: int = 100
    points: int = 100


FULL = Sizes()

QUICK = Sizes(starts=3, rest_seconds=10, calm_seconds=16, readings=100, messages=10, points=10)


def rows(sizes: Sizes, say: Callable[[str], None]) -> list[Row]:
    """Measure everything; `say` gets a line for each measurement."""
    return [*_one(sizes, say), *_many(sizes, say)]


def _one(sizes: Sizes, say: Callable[[str], None]) -> list[Row]:
    found: list[Row] = []
    with TemporaryDirectory() as directory, timed_bus(Path(directory) / "broker") as (broker, bus):
        house = demo(Path(directory), broker.bus.broker)
        [point] = ["driveway"]
        say("one charge point: at rest")
        with starting.started(bus, [point], house) as pid:
            meter = Readings(bus, [point])
            found.append(_weight(bus, pid, "one charge point, after its start", sizes))
            for every in resting.SECONDS_BETWEEN_READINGS:
                share = resting.share(pid, meter, sizes.rest_seconds, every)
                found.append(resting.row("one charge point", every, share))
            bus.until_command(point, "vehicle", pilot="C", soc_percent=40)
            found.append(_weight(bus, pid, "after a planned evening", sizes))
            say("one charge point: readings and latency")
            took = bus.all_acknowledged(lambda: meter.send(sizes.readings))
            what = f"{sizes.readings} readings at once"
            found += [
                Row(f"{what}: until all are acknowledged", "", duration(took)),
                _weight(bus, pid, f"after {what}", sizes),
            ]
            commands = latency.to_command(bus, point, sizes.messages)
            readings = latency.to_acknowledgement(bus, point, 3 * sizes.messages, meter.kwh)
            found += latency.rows("one charge point", commands, readings)
            found.append(_weight(bus, pid, "one charge point, after all that", sizes))
        say("one charge point: start-up")
        found += starting.rows("one charge point", bus, [point], house, sizes.starts)
    return found


def _weight(bus: TimedBus, pid: int, what: str, sizes: Sizes) -> Row:
    """Measure the daemon's memory at rest: it gives memory back every 15 seconds."""
    bus.settle()
    bus.pause(sizes.calm_seconds)
    return weight(what, memory(pid), threads(pid))


def _many(sizes: Sizes, say: Callable[[str], None]) -> list[Row]:
    points, what = point_names(sizes.points), f"{sizes.points} charge points"
    found: list[Row] = []
    with TemporaryDirectory() as directory, timed_bus(Path(directory) / "broker") as (broker, bus):
        house = many(Path(directory), broker.bus.broker, sizes.points)
        say(f"{what}: one evening")
        with starting.started(bus, points, house) as pid:
            meter = Readings(bus, points)
            found += resting.evening(what, bus, points)
            meter.send(1)
            found.append(_weight(bus, pid, f"{what}, all planned", sizes))
            share = resting.share(pid, meter, sizes.rest_seconds, sizes.rest_seconds)
            found.append(resting.row(what, sizes.rest_seconds, share))
            say(f"{what}: latency")
            commands = latency.to_command(bus, points[-1], sizes.messages)
            readings = latency.to_acknowledgement(bus, points[-1], sizes.messages, meter.kwh)
            found += latency.rows(what, commands, readings)
            found.append(_weight(bus, pid, f"{what}, after all that", sizes))
        say(f"{what}: start-up")
        found += starting.rows(f"{what}, all plugged in", bus, points, house, sizes.starts)
    return found


@click.command()
@click.option("--quick", is_flag=True, help="Shorter, with fewer charge points: two minutes.")
def main(*, quick: bool) -> None:
    """Print a table of what the daemon must reach at rest, and what it reaches here."""
    found = rows(QUICK if quick else FULL, lambda name: click.echo(f"{name} ...", err=True))
    click.echo(table(found))
    click.echo(f"\n{machine('paho-mqtt', 'pydantic')}")
    click.echo(f"Load average over the last 15 minutes: {os.getloadavg()[2]:.1f}")
    if quick:
        click.echo("A quick run: too little to judge by.")


if __name__ == "__main__":
    main()
