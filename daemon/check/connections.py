"""Explain how each charge point is connected: its topics, or OCPP."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from adapters.contract.topics import Topics
from adapters.ocpp_point.remembered import Remembered, remembered_at
from adapters.ocpp_point.words import abilities_in_words, lacks_in_words
from config.home.grid_limit import LimitInForce
from config.wiring.values import IN_TEXT
from daemon.presentation.figures import counted

if TYPE_CHECKING:
    from collections.abc import Iterator

    from config.household.equipment import ChargePoint
    from config.household.household_file import HouseholdFile
    from config.household.wiring import WiringInputs, WiringOutputs


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
    if "grid_limit" in file.household.model_fields_set:
        yield from _grid_limits(file)


def _grid_limits(file: HouseholdFile) -> Iterator[str]:
    """Say where limits of the grid operator come from, and what they bound."""
    rules = file.household.grid_limit
    bound = "the charge points together"
    if rules.bounds == "home":
        bound = "the whole home; charging gets what the rest of the home leaves"
    topic = Topics.of_file(file).grid_limit
    yield f"Limits of the grid operator come on {topic} and bound {bound}."
    if rules.contact is not None:
        limit = LimitInForce(rules.contact.limit_kw, rules.contact.limit_amps)
        yield f"  While the contact on {rules.contact.topic} is closed, {limit.text} are allowed."


def connection_cautions(file: HouseholdFile) -> Iterator[str]:
    """Say what equipment that speaks OCPP can't, and who could pass for it.

    Parameters
    ----------
    file : HouseholdFile
        The household.

    Yields
    ------
    str
        One sentence for each caution.
    """
    remembered = Remembered(remembered_at(file.ledger.path))
    for name, point in file.charge_points.items():
        if point.ocpp is None:
            continue
        networks = point.ocpp.without_password_from
        if networks:
            yield (
                f"{name}: anybody at {', '.join(networks)} can pass for its equipment, and report"
                " energy that never flowed or a vehicle that is full. They can't raise a current."
                " Name its own address alone, and keep guests out of that network."
            )
        sets_current = point.switching == "current"
        for lack in lacks_in_words(remembered.of(name), sets_current=sets_current):
            yield f"{name}: {lack}."


def _connection(file: HouseholdFile, name: str, point: ChargePoint) -> Iterator[str]:
    topics = Topics.of_file(file)
    copies = f"    Its commands are also published on {topics.command(name)}."
    if point.ocpp is not None and file.ocpp is not None:
        yield (
            f"  {name} connects by OCPP as {point.ocpp.identity} to {file.ocpp.listen}, gets"
            " its commands there, and reports there."
        )
        yield copies
        known = Remembered(remembered_at(file.ledger.path)).of(name)
        yield from (f"    Its equipment: {each}." for each in abilities_in_words(known))
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
    if own is not None:
        yield from _own_reports(own, topics.reading(name))


def _own_reports(hear: WiringInputs, reading: str) -> Iterator[str]:
    texts = [key for key, source in hear.sources if source.pattern is not None]
    units = [key for key, source in hear.sources if getattr(source, "unit", None) == IN_TEXT]
    if texts:
        yield f"    Read out of a text by its pattern: {_listed(texts)}."
    if units:
        yield f"    Read with the unit behind the number: {_listed(units)}."
    for key, count in Counter(key for key, _ in hear.sources).items():
        if count > 1:
            what = "the highest" if key == "current" else "the sum"
            yield f"    Its {key} is {what} of {count} values, once all have come."
    for question in hear.ask:
        often = counted(question.every_seconds, "second")
        yield f"    It is asked on {question.topic} every {often}."
    if hear.availability is not None:
        yield (
            f"    It says on {hear.availability.topic} whether it is there. While it is not, its"
            " values count for nothing; when it comes back it gets its command again."
        )
    if not hear.measures:
        yield (
            f"    None of these values shows what flows: without readings on {reading} nobody can"
            " tell whether it charges, and no energy is recorded."
        )


def _listed(keys: list[str]) -> str:
    return ", ".join(dict.fromkeys(keys))


def _own_commands(name: str, tell: WiringOutputs) -> Iterator[str]:
    where = ", ".join(dict.fromkeys(message.topic for message in tell.messages))
    again = ""
    if tell.repeat_minutes:
        again = f", repeated every {counted(tell.repeat_minutes, 'minute')}"
    elif tell.repeat_seconds:
        again = f", repeated every {counted(tell.repeat_seconds, 'second')}"
    yield f"  {name} gets its commands in its own format on {where}{again}."
    if tell.acknowledgement is not None:
        yield (
            f"    It acknowledges each on {tell.acknowledgement.topic} within"
            f" {counted(tell.answer_seconds, 'second')}; else it is sent again, and after the third"
            " time you are warned."
        )
    if tell.only_changes_over:
        yield (
            "    Its message only changes over. It is sent only if the state that it reports is not"
            " the wanted one. If the daemon dies while it charges, nothing stops it but you: a plug"
            " with one message for on and another for off is safer."
        )
    elif tell.stop_as_will:
        yield "    If the daemon dies, the broker sends it the stop."
    elif not tell.start.placeholders & {"seconds", "valid_until"}:
        yield (
            "    Its commands carry no time limit. If the hardware has no time limit either, set"
            " stop_as_will; otherwise it stays on if the daemon dies."
        )
