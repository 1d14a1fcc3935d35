"""Say in a reader's words what a night took, what it cost, and why it went so. Pure.

`lullwatt why` says more, in English; the page shows that below.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, Final

from config.fields.value_types import WATT_HOURS_PER_KWH
from daemon.control.alerts import (
    BROKER_REFUSES,
    GRID_LIMITED,
    NO_BROKER,
    NO_DEPARTURE,
    NO_POWER,
    NO_RATE,
    NO_READING,
    NOBODY_LISTENS,
    OVER_CURRENT,
    POWER_AFTER_STOP,
)
from daemon.night_log.night_rows import night_row
from daemon.page.past import NOBODY_THERE, night_line, runs
from daemon.why.evidence import starts_with_power
from daemon.why.history import joined
from planners.accounts.accounts import exact_kwh

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence
    from datetime import datetime

    from daemon.night_log.carbon import NightCarbon
    from daemon.night_log.month import BandSum
    from daemon.page.past import Levels
    from daemon.page.words import Words
    from daemon.why.show_why import Why

HOW_WORDS: Final[Mapping[str, str]] = {
    "cheapest hours": "It charged in the cheapest hours before the departure.",
    "every hour before": "It charged in all the time before the departure, as that was needed.",
    "a person asked to charge now": "It charged at once, as somebody asked.",
}
"""By how the reason of a command begins."""

CAUSE_WORDS: Final[Mapping[str, str]] = {
    "unknown": "The record does not say why.",
    "no-vehicle": "No vehicle was plugged in.",
    "plugged-in-late": "The vehicle was plugged in too late for all that it needed.",
    "too-little-time": "There was too little time for all that it needed.",
    "left-before": "The vehicle was unplugged before the planned hours were over.",
    "ended-by-itself": "The vehicle ended the charge by itself: it may be full, or have its own"
    " limit or timer.",
    "skipped": "Somebody had asked not to charge.",
    "nothing-planned": "Nothing was planned.",
    "full": "The battery had all that is wanted.",
    "not-worth-it": "What was needed was there, and more was too dear.",
    "still-to-come": "Cheaper hours are still to come.",
    "not-running": "Lullwatt did not run for a time.",
    "no-power": "It was to charge, but no energy was measured.",
    "power-late": "Power flowed later than it was to.",
    "fault": "The charge point reported a fault.",
    "main-fuse": "The rest of the home needed the current.",
    "home-load": "The rest of the home left less current than was wanted.",
    "left-late": "The vehicle had not left at its departure, and charged on.",
    "estimated-rate": "Part of it has an estimated price per kWh.",
    "estimated": "Part of it is estimated, as the meter was silent.",
    NO_DEPARTURE: "Nothing could be planned: no departure was known.",
    NO_RATE: "Nothing could be planned: no price was known.",
    NO_POWER: "Charging was started again and again, but no power flowed.",
    NO_READING: "The meter was silent: nobody can tell whether it charged.",
    NO_BROKER: "The message broker was away.",
    NOBODY_LISTENS: "The charge point was not connected, and did not hear its commands.",
    BROKER_REFUSES: "The message broker refused messages.",
    POWER_AFTER_STOP: "Power flowed although charging was stopped.",
    OVER_CURRENT: "The charge point took more current than it was told.",
    GRID_LIMITED: "The grid operator limited how much could be drawn.",
}
"""By the code of a cause (`daemon.why.explanation`)."""

SAID_BY_FIGURES: Final = frozenset({"charged", "need-missed"})
"""Causes that the figures of the night say already."""

_MOST_SPANS: Final = 3


@dataclass(frozen=True, slots=True)
class BandCells:
    """A row of the table of bands."""

    band: str
    kwh: str
    rate: str
    cost: str


@dataclass(frozen=True, slots=True)
class NightView:
    """A night at one charge point.

    Attributes
    ----------
    name : str
        The charge point, and the vehicle if one was there.
    figures : tuple of str
        What it took and cost; empty if that is not known.
    why : tuple of str
        When it charged, and why then, or why not.
    bands : tuple of BandCells
        Energy and cost by band and rate.
    """

    name: str
    figures: tuple[str, ...]
    why: tuple[str, ...]
    bands: tuple[BandCells, ...]


def night_view(why: Why, now: datetime, words: Words, levels: Levels = NOBODY_THERE) -> NightView:
    """Return what the page says of a night.

    Parameters
    ----------
    why
        Its explanation.
    now
        UTC.
    words
        The reader's.
    levels
        Where a vehicle is there now, and its level.

    Returns
    -------
    NightView
        In the reader's words.
    """
    night, file = why.history.night, why.history.house.file
    name = f"{night.charge_point}: {night.vehicle}" if night.vehicle else night.charge_point
    if night.record is None:
        kwh = words.kwh(night.energy_wh / WATT_HOURS_PER_KWH)
        charged = [words.say("{kwh} charged, metered", kwh=kwh)] if night.energy_wh else []
        return NightView(name, tuple(charged), tuple(_why(why, words)), ())
    row, currency = night_row(night.record), file.household.currency
    figures = night_line(row, currency, now, words, levels).sentences
    if not night.is_over and not night.closed and not runs(row, now, words, levels):
        figures = (*figures, words.say("This night is not over."))
    if row.carbon is not None:
        figures = (*figures, *carbon_sentences(row.carbon, words))
    bands = tuple(band_cells(row.by_band, currency, words))
    return NightView(name, figures, tuple(_why(why, words)), bands)


def carbon_sentences(carbon: NightCarbon, words: Words) -> Iterator[str]:
    """Say what energy caused, by which kind of intensity, beside charging at once."""
    if carbon.kg is None:
        yield words.say("How much carbon the grid's power caused is not known.")
        return
    kg = words.number(float(carbon.kg))
    if carbon.kind == "marginal":
        yield words.say("It caused {kg} kg of CO₂e, by what more power calls up (marginal).", kg=kg)
    else:
        yield words.say("It caused {kg} kg of CO₂e, by the mean of the grid (average).", kg=kg)
    if carbon.at_once_kg is not None:
        at_once = words.number(float(carbon.at_once_kg))
        yield words.say("Charging at once would have caused {kg} kg.", kg=at_once)
    uncertain_wh = carbon.estimated_wh + carbon.unknown_wh
    if uncertain_wh:
        kwh = words.kwh(float(exact_kwh(uncertain_wh)))
        yield words.say("For {kwh} the grid's carbon is estimated or not known.", kwh=kwh)


def _why(why: Why, words: Words) -> Iterator[str]:
    history = why.history
    spans = [(each.start, each.end) for each in joined(history.flows)]
    if len(spans) > _MOST_SPANS:
        yield words.say(
            "It charged in {count} parts between {start} and {end}.",
            count=len(spans), start=words.clock(spans[0][0]), end=words.clock(spans[-1][1]),
        )  # fmt: skip
    elif spans:
        said = ", ".join(
            words.say("{start} to {end}", start=words.clock(start), end=words.clock(end))
            for start, end in spans
        )
        yield words.say("Has charged {spans}.", spans=said)
    if "charged" in why.explanation.causes:
        yield from (
            words.say(each)
            for each in _how(span.command.why for span in starts_with_power(history))
        )
    for code in why.explanation.causes:
        if code not in SAID_BY_FIGURES:
            yield words.say(CAUSE_WORDS.get(code, CAUSE_WORDS["unknown"]))


def _how(reasons: Iterable[str]) -> tuple[str, ...]:
    """Return how it charged, each way once."""
    found = [
        text for reason in reasons for start, text in HOW_WORDS.items() if reason.startswith(start)
    ]
    return tuple(dict.fromkeys(found))


def band_cells(lines: Sequence[BandSum], currency: str, words: Words) -> Iterator[BandCells]:
    """Yield a row for each band and rate."""
    for line in lines:
        band = words.say("by the hour") if line.band == "price" else line.band
        yield BandCells(
            band, words.kwh(float(exact_kwh(line.wh))), words.rate(line.rate, currency),
            words.money(Decimal(line.cost), currency),
        )  # fmt: skip
