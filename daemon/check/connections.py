"""Explain how each charge point is connected: its topics, or OCPP."""

from __future__ import annotations

from typing import TYPE_CHECKING

from adapters.contract.topics import Topics
from daemon.presentation.figures import counted

if TYPE_CHECKING:
    from collections.abc import Iterator

    from config.household.equipment import ChargePoint
    from config.household.household_file import HouseholdFile
    from config.household.wiring import WiringOutputs


def explain_connections(file: HouseholdFile) -> Iterator[str]:
    """Say where each charge point gets its commands and where it reports.

    Parameters
    ----------
    file : HouseholdFile
        The household.

    Yields
    ------
    str
        Lines of text.
    """
    yield (
        "The MQTT broker runs inside the daemon."
        if file.bus.embedded
        else (f"The MQTT broker is {file.bus.broker}.")
    )
    for name, point in file.charge_points.items():
        yield from _connection(file, name, point)


def _connection(file: HouseholdFile, name: str, point: ChargePoint) -> Iterator[str]:
    topics = Topics.of_file(file)
    copies = f"    Its commands are also published on {topics.command(name)}."
    if point.ocpp is not None and file.ocpp is not None:
        yield (
            f"  {name} connects by OCPP 1.6J as {point.ocpp.identity} to {file.ocpp.listen}, gets"
            " its commands there, and reports there."
        )
        yield copies
        return
    wiring = point.wiring
    if wiring is None or wiring.tell is None:
        yield f"  {name} gets its commands on {topics.command(name)}."
    else:
        yield from _own_commands(name, wiring.tell)
        yield copies
    own = None if wiring is None else wiring.hear
    reports = topics.reading(name) if own is None else ", ".join(own.topics)
    yield f"    It reports on {reports} and {topics.vehicle(name)}."


def _own_commands(name: str, tell: WiringOutputs) -> Iterator[str]:
    messages = [tell.start, tell.stop, *([tell.current] if tell.current else [])]
    where = ", ".join(dict.fromkeys(message.topic for message in messages))
    again = (
        f", repeated every {counted(tell.repeat_minutes, 'minute')}" if tell.repeat_minutes else ""
    )
    yield f"  {name} gets its commands in its own format on {where}{again}."
    if tell.stop_as_will:
        yield "    If the daemon dies, the broker sends it the stop."
    elif not tell.start.placeholders & {"seconds", "valid_until"}:
        yield (
            "    Its commands carry no time limit. If the hardware has no time limit either, set"
            " stop_as_will; otherwise it stays on if the daemon dies."
        )
