"""Announced days from the bus go to the tariff of their date, or are left with a reason."""

from __future__ import annotations

import json
from datetime import date
from typing import Any

import pytest

from adapters.contract.messages import Announcements, MalformedMessage, decode
from config.files.announcements import Announcement
from daemon.messaging.price_feed import sort_announcements
from planners.rates.prices import Prices, prices_of
from tests.planners.households import band, bands, household

ANNOUNCED = {"kinds": [{"name": "usual"}, {"name": "picked", "picked_hours": True}]}


def message(*days: dict[str, Any]) -> Announcements:
    return decode(Announcements, json.dumps({"v": 1, "days": list(days)}).encode())


@pytest.fixture(scope="module")
def prices() -> Prices:
    announced = bands(
        band("usual", kinds=["usual"]), band("picked", "0.1", kinds=["picked"]),
        name="Announced", announced=ANNOUNCED, valid_from=date(2026, 6, 1),
    )  # fmt: skip
    plain = bands(band("all"), valid_from=date(2026, 1, 1))
    return prices_of(household(tariffs=[plain, announced]), {})


def test_days_and_hours_are_taken(prices: Prices) -> None:
    """Of two for one date the later counts; hours as in the file of announcements."""
    found = sort_announcements(
        prices,
        message(
            {"date": "2026-06-04", "kind": "picked", "hours": ["01:00-04:00"]},
            {"date": "2026-06-05", "kind": "picked", "hours": ["2:00 - 3:00", "13:00-14:00"]},
            {"date": "2026-06-04", "kind": "usual"},
        ),
    )
    days = found.by_tariff["Announced"]
    assert days[date(2026, 6, 4)] == Announcement(date(2026, 6, 4), "usual")
    assert [str(each) for each in days[date(2026, 6, 5)].hours] == ["02:00-03:00", "13:00-14:00"]
    assert found.ignored.total() == 0


@pytest.mark.parametrize(
    ("day", "why"),
    [
        ({"date": "2026-06-04", "kind": "blue"}, "of a kind that Announced does not have"),
        ({"date": "2026-06-04", "kind": "picked"}, "without their hours"),
        (
            {"date": "2026-06-04", "kind": "usual", "hours": ["01:00-02:00"]},
            "with hours, of a kind of whole days",
        ),
        ({"date": "2026-05-04", "kind": "usual"}, "on days of Bands, which announces none"),
        ({"date": "2025-05-04", "kind": "usual"}, "on days before the first tariff"),
    ],
)
def test_the_reason_is_given(prices: Prices, day: dict[str, Any], why: str) -> None:
    """An unknown kind, hours missing or too many, another tariff, no tariff."""
    found = sort_announcements(prices, message(day))
    assert (found.by_tariff, found.why()) == ({}, f"1 {why}")


@pytest.mark.parametrize(
    "day",
    [
        {"date": "2026-02-30", "kind": "usual"},
        {"date": "4 June", "kind": "usual"},
        {"date": "2026-06-04", "kind": "picked", "hours": ["25:00-26:00"]},
        {"date": "2026-06-04", "kind": "picked", "hours": "01:00-02:00"},
        {"date": "2026-06-04"},
    ],
)
def test_malformed_messages_are_refused(day: dict[str, Any]) -> None:
    """A date or hours that there are not, hours without a list, no kind."""
    with pytest.raises(MalformedMessage):
        message(day)
