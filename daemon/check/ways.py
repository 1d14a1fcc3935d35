"""How charge points are reached, in plain words: the part of `lullwatt check` about the bus."""

from __future__ import annotations

from typing import TYPE_CHECKING

from adapters.contract.topics import Topics
from adapters.wired.values import topic_filters

if TYPE_CHECKING:
    from collections.abc import Iterator

    from config.household.equipment import ChargePoint
    from config.household.household_file import HouseholdFile
    from config.household.wiring import WiringOutputs


def explain_ways(file: HouseholdFile) -> Iterator[str]:
    """Say on which topics each charge point is told and heard.

    Parameters
    ----------
    file : HouseholdFile
        The household.

    Yields
    ------
    str
        Lines of text.
    """
    broker = "a broker inside the daemon" if file.bus.embedded else file.bus.broker
    yield f"On {broker}:"
    for name, point in file.charge_points.items():
        yield from _way(file, name, point)


def _way(file: HouseholdFile, name: str, point: ChargePoint) -> Iterator[str]:
    topics = Topics(file.bus.root, file.household.name)
    yield f"  {topics.command(name)} carries the commands, and"
    if point.ocpp is not None and file.ocpp is not None:
        yield (
            f"  {name} connects by OCPP 1.6J as {point.ocpp.identity} to {file.ocpp.listen}, and is"
            " told and heard there."
        )
        return
    wiring = point.wiring
    if wiring is None or wiring.hear is None:
        yield f"  {topics.reading(name)} and {topics.vehicle(name)} are listened to."
    else:
        filters = ", ".join(topic_filters(wiring.hear))
        yield f"  {filters} and {topics.vehicle(name)} are listened to."
    if wiring is not None and wiring.tell is not None:
        yield from _told(name, wiring.tell)


def _told(name: str, tell: WiringOutputs) -> Iterator[str]:
    said = [tell.start, tell.stop, *([tell.current] if tell.current else [])]
    where = ", ".join(dict.fromkeys(saying.topic for saying in said))
    again = f", again every {tell.repeat_minutes} minutes" if tell.repeat_minutes else ""
    yield f"  {name} is told in its own words on {where}{again}."
    if tell.stop_as_will:
        yield "  Its stop is left with the broker, which says it if the daemon dies."
    elif not said[0].placeholders & {"seconds", "valid_until"}:
        yield (
            "  It is told no time limit: if it has none of its own, set stop_as_will, or it stays"
            " on if the daemon dies."
        )
