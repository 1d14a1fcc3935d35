"""What is known of the rates at an instant: whether they are, how far ahead, or since when not."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from config.files.errors import TariffError
from planners.local_time.conversion import instant_of, local_date, minute_of
from planners.rates.series_rates import SeriesRates

if TYPE_CHECKING:
    from datetime import datetime

    from planners.rates.prices import Prices


@dataclass(frozen=True, slots=True)
class RateKnowledge:
    """What is known of the rates.

    Attributes
    ----------
    tariff : str
        Name of the tariff in force.
    now : {"known", "estimated", "none"}
        Whether the rate of the instant is known, or expected from earlier prices, or neither.
    until : datetime or None
        When the rates cease to be known, UTC; where that of the instant is not known: when they
        ceased. None where they never do, or where none was ever known.
    resumes : datetime or None
        Where the rate of the instant is not known: from when on one is.
    """

    tariff: str
    now: Literal["known", "estimated", "none"]
    until: datetime | None = None
    resumes: datetime | None = None


def rate_knowledge(prices: Prices, instant: datetime) -> RateKnowledge | None:
    """Say what is known of the rates at an instant.

    Parameters
    ----------
    prices : Prices
        The household's tariffs.
    instant : datetime
        Aware.

    Returns
    -------
    RateKnowledge or None
        None where no tariff is in force yet. Looks up places only; no rate is worked out.
    """
    try:
        place = prices.in_force.place_on(local_date(instant, prices.zone))
    except TariffError:
        return None
    tariff, rates = prices.tariffs[place].name, prices.rates[place]
    minute = minute_of(instant)
    unknown = rates.known_until(minute)
    if unknown != minute or not isinstance(rates, SeriesRates):
        return RateKnowledge(tariff, "known", prices.known_until(instant))
    ended, resumes = rates.around(minute)
    return RateKnowledge(
        tariff,
        "none" if ended is None else "estimated",
        None if ended is None else instant_of(ended),
        None if resumes is None else instant_of(resumes),
    )
