"""A simulated plan knows the kind of a day no sooner than it was announced."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from config.files.announcements import Announcement
from planners.rates.prices import prices_of
from planners.year.price_knowledge import PriceKnowledge
from planners.year.rates import year_rates
from tests.planners.households import band, bands, household

PARIS = ZoneInfo("Europe/Paris")


def test_the_kind_of_tomorrow_is_known_from_the_evening_on() -> None:
    """At 16:00 tomorrow is taken for costly; at 17:00 it is announced as usual."""
    tariff = bands(
        band("usual", "0.10", kinds=["usual"]), band("costly", "0.50", kinds=["costly"]),
        announced={"kinds": [{"name": "usual"}, {"name": "costly", "at_most": 22}]},
    )  # fmt: skip
    made = [Announcement(date(2026, 12, 1) + timedelta(days=n), "usual") for n in range(5)]
    file = household("Europe/Paris", [tariff])
    start = datetime(2026, 12, 2, tzinfo=PARIS)
    prices = prices_of(file, {"Bands": made})
    year = year_rates(prices, start, start + timedelta(days=3), 60)
    knowledge = PriceKnowledge(file.tariffs[0], PARIS, None, made, time(17))
    before, after = knowledge.outlooks(year, 16, 36)
    assert (before.tick, before.rates.tolist()) == (16, [0.10] * 8 + [0.50] * 12)
    assert (after.tick, after.rates.tolist()) == (17, [0.10] * 19)
