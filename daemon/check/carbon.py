"""Explain what is known of the grid's carbon, and what plans count for it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from adapters.contract.topics import Topics
from daemon.carbon.intensities import KEPT
from daemon.presentation.figures import local_time
from planners.accounts.money import format_money
from planners.carbon.outlook import GRAMS_PER_TONNE
from planners.local_time.conversion import instant_of, minute_of

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime

    from daemon.control.state import House
    from planners.carbon.outlook import CarbonOutlook

KINDS: Final = {
    "average": "the mean of all generation (average); energy of an own roof causes none",
    "marginal": "the generation that one more kWh calls up (marginal); energy of an own roof counts"
    " as the grid's, since exported it would have displaced that generation",
}

COAL_GRAMS: Final = 820.0
"""What a kWh of coal causes over the plant's life, the median of IPCC AR5 WG III (2014), Annex III,
table A.III.2 [g CO2e]. A grid above it is worth a second look."""


def explain_carbon(house: House, now: datetime) -> Iterator[str]:
    """Explain the grid's carbon.

    Parameters
    ----------
    house : House
        The household file, and what is known of carbon.
    now : datetime
        UTC.

    Yields
    ------
    str
        Lines of text; none without carbon.
    """
    carbon, outlook = house.file.carbon, house.prices.carbon
    if carbon is None or outlook is None:
        return
    yield ""
    yield "Carbon of the grid:"
    source = f"the file {carbon.file} and " if carbon.file else ""
    yield f"  Intensities come from {source}the topic {Topics.of_file(house.file).carbon}."
    yield f"  They are those of {KINDS[carbon.kind]}."
    yield from (f"  {line}" for line in _known(house, outlook, now))
    if carbon.price_per_tonne:
        price = format_money(carbon.price_per_tonne, house.file.household.currency)
        per_kwh = 100 * carbon.price_per_tonne / GRAMS_PER_TONNE
        yield (
            f"  Plans count {price} for a tonne of CO2e, {per_kwh:.4f} per kWh at 100 g/kWh, on"
            " top of the rates: max_rate is compared with both together. No account counts it."
        )
    else:
        yield "  It has no price: plans do not count it, and accounts tell it."


def carbon_cautions(house: House) -> Iterator[str]:
    """Warn of carbon that can't be counted, or looks wrong.

    Parameters
    ----------
    house : House
        The household file, and what is known of carbon.

    Yields
    ------
    str
        Sentences.
    """
    outlook = house.prices.carbon
    if outlook is None:
        return
    if not outlook.is_known:
        yield "No carbon intensity is known: plans count none, and accounts can tell none."
        return
    highest = max(point.value for point in outlook.points)
    if highest > COAL_GRAMS:
        yield (
            f"The highest carbon intensity is {highest:g} g/kWh, more than a grid of coal alone"
            f" ({COAL_GRAMS:g}): are the values in g/kWh?"
        )


def _known(house: House, outlook: CarbonOutlook, now: datetime) -> Iterator[str]:
    until = outlook.known_until
    if until is None:
        yield "None is known."
        return
    zone = house.file.zone
    first = min(point.start for point in outlook.points)
    begins, ends = (local_time(each, zone, "%a %d %b %H:%M") for each in (first, until))
    values = [point.value for point in outlook.points]
    verb = "They are known" if until > now else "They ended: they are known"
    yield (f"{verb} from {begins} until {ends}: {min(values):g} to {max(values):g} g CO2e per kWh.")
    start = max(first, now - KEPT)
    runs = outlook.runs(minute_of(start), minute_of(until)) if start < until else []
    gaps = [run for run in runs if run.estimated]
    if gaps:
        at = local_time(instant_of(gaps[0].first), zone, "%a %d %b %H:%M")
        hours = sum(run.last - run.first for run in gaps) / 60
        yield f"In between {hours:g} h are unknown, the first from {at} on."
    yield (
        "Where none is known, the mean of the same half-hour of the seven days before counts, or"
        " else of all that is known."
    )
