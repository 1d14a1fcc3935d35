"""Rates of announced days: known once they are announced, estimated as declared until then."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import pytest

from config.fields.value_types import Hours
from config.files.announcements import Announcement
from planners.rates.known import rate_knowledge
from planners.rates.prices import Prices, prices_of
from tests.planners.households import band, bands, household

if TYPE_CHECKING:
    from collections.abc import Sequence

PARIS = ZoneInfo("Europe/Paris")
NIGHT = ["22:00-06:00"]
WORKDAYS = ["mon", "tue", "wed", "thu", "fri"]
KINDS: list[dict[str, Any]] = [
    {"name": "usual"},
    {"name": "raised", "at_most": 43, "days": [*WORKDAYS, "sat"]},
    {"name": "costly", "at_most": 22, "days": WORKDAYS, "months": [11, 12, 1, 2, 3]},
]
ANNOUNCED: dict[str, Any] = {"kinds": KINDS, "begins": "06:00", "season_begins": "09-01"}
BANDS = (
    band("night", "0.13", hours=NIGHT),
    band("usual day", "0.16", kinds=["usual"]),
    band("raised day", "0.18", kinds=["raised"]),
    band("costly day", "0.70", kinds=["costly"]),
)
WEDNESDAY = date(2026, 12, 2)


def at(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=PARIS)


def prices(*made: Announcement, **declared: object) -> Prices:
    tariff = bands(*BANDS, announced=ANNOUNCED | declared)
    return prices_of(household("Europe/Paris", [tariff]), {"Bands": made})


def told(first: date, kinds: str) -> list[Announcement]:
    """Announce one day after the other: u, r or c."""
    names = {"u": "usual", "r": "raised", "c": "costly"}
    return [
        Announcement(first + timedelta(days=n), names[kind])
        for n, kind in enumerate(kinds)
        if kind in names
    ]


def shown(made: Prices, text: str) -> tuple[str, str, bool]:
    span = made.rate_at(at(text))
    return span.band, f"{span.rate:f}", span.estimated


def test_an_announced_day_is_known_from_its_beginning_to_its_end() -> None:
    """It begins at 06:00; what comes after it is the dearest that it may be."""
    made = prices(*told(WEDNESDAY, "r"))
    assert shown(made, "2026-12-02T06:00") == ("raised day", "0.18", False)
    assert shown(made, "2026-12-02T21:59") == ("raised day", "0.18", False)
    assert shown(made, "2026-12-03T06:00") == ("costly day", "0.70", True)
    # The night costs the same on all days, so it is known without an announcement.
    assert shown(made, "2026-12-03T23:00") == ("night", "0.13", False)
    # On Sundays no rule allows another kind; on Saturdays none allows a costly one.
    assert shown(made, "2026-12-05T12:00") == ("raised day", "0.18", True)
    assert shown(made, "2026-12-06T12:00") == ("usual day", "0.16", False)
    assert made.known_until(at("2026-12-02T12:00")) == at("2026-12-03T06:00")


def test_what_is_known_of_today() -> None:
    """An unannounced day is an estimate, since the end of the last announced one."""
    made = prices(*told(WEDNESDAY, "r"))
    known = rate_knowledge(made, at("2026-12-02T12:00"))
    later = rate_knowledge(made, at("2026-12-04T12:00"))
    never = rate_knowledge(prices(), at("2026-12-04T12:00"))
    assert known is not None
    assert later is not None
    assert never is not None
    assert (known.now, known.until) == ("known", at("2026-12-03T06:00"))
    assert (later.now, later.until, later.what) == (
        "estimated", at("2026-12-03T06:00"), "announced days",
    )  # fmt: skip
    assert (never.now, never.until) == ("estimated", None)


def test_the_limit_of_a_kind_is_minded() -> None:
    """After 22 costly days of the season no other one is assumed; a new season begins anew."""
    november = told(date(2026, 11, 2), "ccccc..ccccc..ccccc..ccccc..cc")
    made = prices(*november)
    assert shown(made, "2026-12-02T12:00") == ("raised day", "0.18", True)
    assert shown(prices(*november[:-1]), "2026-12-01T12:00") == ("costly day", "0.70", True)
    assert shown(made, "2027-11-03T12:00") == ("costly day", "0.70", True)


def test_days_assumed_in_a_row_count_too() -> None:
    """A year without announcements has as many days of a kind as its limit, and no more."""
    made = prices()
    spans = made.spans(at("2026-09-01T06:00"), at("2027-09-01T06:00"))
    hours: dict[str, float] = {}
    for span in spans:
        hours[span.band] = hours.get(span.band, 0) + (span.end - span.start).total_seconds() / 3600
    assert hours["costly day"] == 22 * 16
    assert hours["raised day"] == 43 * 16
    assert hours["usual day"] == (365 - 22 - 43) * 16


def test_the_commonest_kind() -> None:
    """Of the days of the season that could be of the same kinds."""
    made = prices(*told(date(2026, 11, 23), "rruc...r"), until_announced="commonest")
    assert shown(made, "2026-12-02T12:00") == ("raised day", "0.18", True)
    assert shown(prices(until_announced="commonest"), "2026-12-02T12:00")[0] == "usual day"


def test_the_share_of_each_kind() -> None:
    """Each by its days so far, never more than the days left of it among those that may be it.

    Two usual and two raised days so far; 0.5 x 0.16 + 0.5 x 0.18 were 0.17. But 41 raised days
    are left for the days from 27 November to 31 August that are no Sundays.
    """
    made = prices(*told(date(2026, 11, 23), "urur"), until_announced="share")
    ahead = [date(2026, 11, 27) + timedelta(days=n) for n in range(278)]
    assert ahead[-1] == date(2027, 8, 31)
    may_be = sum(day.weekday() != 6 for day in ahead)
    raised = 41 / may_be
    assert raised < 0.5
    band_name, rate, estimated = shown(made, "2026-12-02T12:00")
    assert (band_name, estimated) == ("usual day or raised day", True)
    assert float(rate) == pytest.approx(0.16 * (1 - raised) + 0.18 * raised, abs=1e-6)


def test_before_the_first_announcement_limits_give_the_shares() -> None:
    """22 costly days among the weekdays of five months, 43 raised ones among all but Sundays."""
    made = prices(until_announced="share")
    year = [date(2026, 9, 1) + timedelta(days=n) for n in range(365)]
    costly = 22 / sum(d.weekday() < 5 and d.month in (11, 12, 1, 2, 3) for d in year)
    raised = 43 / sum(d.weekday() != 6 for d in year)
    expected = 0.70 * costly + 0.18 * raised + 0.16 * (1 - costly - raised)
    assert float(shown(made, "2026-12-02T12:00")[1]) == pytest.approx(expected, abs=1e-6)


PICKED: dict[str, Any] = {
    "kinds": [{"name": "other"}, {"name": "picked", "picked_hours": True}],
    "until_announced": "share",
}


def picked_prices(made: Sequence[Announcement], **declared: object) -> Prices:
    tariff = bands(
        band("picked", "0.10", kinds=["picked"]), band("other", "0.30", kinds=["other"]),
        announced=PICKED | declared,
    )  # fmt: skip
    return prices_of(household("Europe/Paris", [tariff]), {"Bands": made})


def hours(start: int, end: int) -> Hours:
    return Hours(start_minute=60 * start, end_minute=60 * end)


def test_hours_that_the_supplier_picks() -> None:
    """Picked hours are of their kind, the day's others of the first; unannounced by share."""
    made = picked_prices(
        [
            Announcement(date(2026, 12, 1), "picked", (hours(1, 4), hours(13, 14))),
            Announcement(date(2026, 12, 2), "picked", (hours(2, 5), hours(13, 14))),
        ]
    )
    assert shown(made, "2026-12-01T03:59") == ("picked", "0.10", False)
    assert shown(made, "2026-12-01T04:00") == ("other", "0.30", False)
    assert shown(made, "2026-12-03T03:00") == ("picked", "0.10", True)
    assert shown(made, "2026-12-03T12:00") == ("other", "0.30", True)
    _name, rate, estimated = shown(made, "2026-12-03T01:30")
    assert (Decimal(rate), estimated) == (Decimal("0.20"), True)
    dearest = picked_prices([], until_announced="dearest")
    assert shown(dearest, "2026-12-03T03:00") == ("other", "0.30", True)
    unheard = picked_prices([])
    assert shown(unheard, "2026-12-03T03:00") == ("other", "0.30", True)


def test_the_hours_of_a_day_with_a_clock_change() -> None:
    """25 October 2026 in Paris has 25 hours: all of them are of the day's kind."""
    made = prices(*told(date(2026, 10, 24), "rur"))
    spans = made.spans(at("2026-10-24T06:00"), at("2026-10-26T06:00"))
    lengths = [(span.band, (span.end - span.start).total_seconds() / 3600) for span in spans]
    assert lengths == [("raised day", 16), ("night", 9), ("usual day", 16), ("night", 8)]


def test_an_announced_component() -> None:
    """A network fee beside it is known; the sum is an estimate as long as one of them is."""
    tariff = {
        "name": "Composed",
        "announced": ANNOUNCED,
        "components": [
            {"name": "energy", "bands": list(BANDS)},
            {"name": "network", "rate": Decimal("0.05")},
        ],
        "percentages": [{"name": "VAT", "percent": Decimal(20)}],
    }
    made = prices_of(household("Europe/Paris", [tariff]), {"Composed": told(WEDNESDAY, "r")})
    assert [float(line.amount) for line in made.composition_at(at("2026-12-02T12:00"))] == [
        0.18, 0.05, 0.046,
    ]  # fmt: skip
    assert made.rate_at(at("2026-12-03T12:00")).estimated
    assert made.known_until(at("2026-12-02T12:00")) == at("2026-12-03T06:00")
