"""The structures of the examples' tariffs against what suppliers and regulators publish.

All rates of the examples are invented; what is checked here is only the structure. Each fact is
from memory of the source that is named.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta
from importlib import resources
from pathlib import Path
from zoneinfo import ZoneInfo

from config.household.loading import load_household
from planners.rates.prices import Prices, prices_of

EXAMPLES = Path(str(resources.files("config"))) / "examples"
DAY = timedelta(days=1)


def prices_without_news(example: str) -> Prices:
    return prices_of(load_household(EXAMPLES / f"{example}.yaml"), {})


def bands_at(prices: Prices, zone: str, *instants: str) -> list[str]:
    local = (datetime.fromisoformat(each).replace(tzinfo=ZoneInfo(zone)) for each in instants)
    return [prices.rate_at(each).band for each in local]


def test_a_year_of_announced_days() -> None:
    """22 days, 43 days and the other 300 of a year; Sundays always the cheapest kind.

    Terms of the French regulated tariff option with days of three kinds (deliberations of the
    Commission de régulation de l'énergie): a season from 1 September to 31 August; the 22 dearest
    days from 1 November to 31 March, not on weekends or public holidays; a day from 06:00 on; cheap
    hours from 22:00 to 06:00. From memory.
    """
    prices = prices_without_news("announced-days")
    first = date(2026, 9, 1)
    noons = [
        datetime(2026, 9, 1, 12, tzinfo=ZoneInfo("Europe/Paris")) + n * DAY for n in range(365)
    ]
    kinds = [prices.rate_at(noon).band.partition(" ")[0] for noon in noons]
    assert {kind: kinds.count(kind) for kind in kinds} == {"costly": 22, "raised": 43, "usual": 300}
    costly = [first + n * DAY for n, kind in enumerate(kinds) if kind == "costly"]
    assert {day.month for day in costly} <= {11, 12, 1, 2, 3}
    assert all(day.weekday() < 5 and day != date(2026, 11, 11) for day in costly)
    assert {kinds[n] for n in range(365) if (first + n * DAY).weekday() == 6} == {"usual"}


def test_a_meter_on_standard_time() -> None:
    """Seven cheap hours from 00:30 to 07:30 in winter, and from 01:30 to 08:30 in summer.

    The times of two-rate meters in Great Britain that stay on GMT, as suppliers' help pages give
    them. From memory; a VAT of 5 % on domestic electricity: Value Added Tax Act 1994, schedule 7A.
    """
    prices = prices_without_news("two-rates")
    winter = bands_at(prices, "Europe/London", "2026-01-14T00:29", "2026-01-14T00:30",
                      "2026-01-14T07:29", "2026-01-14T07:30")  # fmt: skip
    summer = bands_at(prices, "Europe/London", "2026-07-14T01:29", "2026-07-14T01:30",
                      "2026-07-14T08:29", "2026-07-14T08:30")  # fmt: skip
    assert winter == summer == ["day", "night", "night", "day"]


def test_evenings_all_week_in_two_seasons() -> None:
    """Dear from 16:00 to 21:00 every day, also on holidays; summer is June to September.

    The residential time-of-use structure that the California Public Utilities Commission made the
    usual one. From memory.
    """
    prices = prices_without_news("seasons-and-weekends")
    evenings = bands_at(prices, "America/Los_Angeles", "2026-06-01T16:00", "2026-07-04T20:59",
                        "2026-12-25T16:00", "2026-12-24T18:00")  # fmt: skip
    assert evenings == ["evening"] * 4
    rates = {
        month: prices.rate_at(
            datetime(2026, month, 10, 17, tzinfo=ZoneInfo("America/Los_Angeles"))
        ).rate
        for month in range(1, 13)
    }
    assert len({rates[month] for month in (6, 7, 8, 9)}) == 1
    assert {month for month, rate in rates.items() if rate == rates[7]} == {6, 7, 8, 9}


def test_three_free_hours_by_day() -> None:
    """Three hours in the middle of the day cost nothing, standing charge aside.

    The offer of at least three free hours that the Australian government announced for its default
    market offer from July 2026. From memory.
    """
    prices = prices_without_news("free-noon")
    start = datetime(2026, 10, 2, tzinfo=ZoneInfo("Australia/Adelaide"))
    free = [span for span in prices.spans(start, start + DAY) if span.rate == 0]
    assert [(span.end - span.start) / timedelta(hours=1) for span in free] == [3]
