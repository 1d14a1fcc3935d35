"""Say how far ahead the rates are known, or since when they are not."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Literal

from config.files.errors import TariffError
from planners.local_time.conversion import instant_of, local_date, minute_of
from planners.rates.announced_rates import AnnouncedRates
from planners.rates.composed_rates import unsure_in
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
        Whether the rate at the instant is known, or estimated from other prices, or neither.
    until : datetime or None
        If it is known: the first later instant whose rate is not; None if all are known. If it is
        not: the end of the known rates before it; None if there are none. UTC.
    resumes : datetime or None
        If it is not known: the next instant whose rate is known, UTC; None if there is none.
    what : {"prices", "announced days"}
        If it is not known: what is missing.
    """

    tariff: str
    now: Literal["known", "estimated", "none"]
    until: datetime | None = None
    resumes: datetime | None = None
    what: Literal["prices", "announced days"] = "prices"


@lru_cache(maxsize=8)  # planning and status ask for it at the same instant
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
        None if no tariff is in force yet. No rate is computed for this.
    """
    try:
        place = prices.in_force.place_on(local_date(instant, prices.zone))
    except TariffError:
        return None
    tariff, rates = prices.tariffs[place].name, prices.rates[place]
    minute = minute_of(instant)
    unknown = rates.known_until(minute)
    unsure = [each for each in unsure_in(rates) if each.known_until(minute) == minute]
    if unknown != minute or not unsure:
        return RateKnowledge(tariff, "known", prices.known_until(instant))
    # Without a price nothing can be planned, whatever day it is.
    at = next((each for each in unsure if isinstance(each, SeriesRates)), unsure[0])
    ended, resumes = at.gap_at(minute)
    return RateKnowledge(
        tariff,
        "none" if ended is resumes is None and not isinstance(at, AnnouncedRates) else "estimated",
        None if ended is None else instant_of(ended),
        None if resumes is None else instant_of(resumes),
        "announced days" if isinstance(at, AnnouncedRates) else "prices",
    )
