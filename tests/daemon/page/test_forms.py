"""What a person presses becomes a request of the contract, or a sentence for the person."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.contract.messages import Request, decode
from adapters.ledger.exact_json import dump_exact
from daemon.page.forms import (
    HAS_PASSED,
    NO_DATE,
    NO_PERCENT,
    NO_TIME,
    UNKNOWN,
    UnclearWish,
    wish_of,
)
from tests.daemon.worlds import EVENING

ZONE = ZoneInfo("Pacific/Auckland")
"""EVENING is Wednesday 3 June 2026, 18:30 there; the offset is 12 hours."""


@pytest.mark.parametrize(
    ("form", "wish"),
    [
        ({"kind": "now"}, {"charge_now": True}),
        ({"kind": "plan"}, {"remove": "charge_now"}),
        ({"kind": "tonight"}, {"stop": True}),
        ({"kind": "tomorrow"}, {"skip_until": "2026-06-03T12:00:00+00:00"}),
        (
            {"kind": "until", "day": "2026-06-04", "time": "05:00"},
            {"skip_until": "2026-06-03T17:00:00+00:00"},
        ),
        (
            {"kind": "trip", "day": "2026-06-06", "time": "08:00", "percent": "100"},
            {"need_percent": 100.0, "by": "2026-06-05T20:00:00+00:00"},
        ),
        (
            {"kind": "trip", "within": "60", "percent": "70"},
            {"need_percent": 70.0, "by": "2026-06-03T07:30:00+00:00"},
        ),
        ({"kind": "away", "day": "2026-06-17"}, {"away_until": "2026-06-16T12:00:00+00:00"}),
        ({"kind": "level", "percent": " 41 "}, {"soc_percent": 41.0}),
        ({"kind": "vehicle", "vehicle": "van"}, {"vehicle": "van"}),
        ({"kind": "remove", "remove": "3"}, {"remove": "3"}),
        ({"kind": "checked"}, {"equipment_checked": True}),
    ],
)
def test_wishes(form: dict[str, str], wish: dict[str, Any]) -> None:
    """Times are those of the household's clock."""
    assert wish_of(form, EVENING, ZONE) == wish


@pytest.mark.parametrize(
    ("form", "why"),
    [
        ({}, UNKNOWN),
        ({"kind": "clear"}, UNKNOWN),
        ({"kind": "remove"}, UNKNOWN),
        ({"kind": "until", "time": "05:00"}, NO_DATE),
        ({"kind": "until", "day": "2026-06-31", "time": "05:00"}, NO_DATE),
        ({"kind": "until", "day": "0001-01-01", "time": "05:00"}, NO_DATE),
        ({"kind": "until", "day": "2026-06-04", "time": "25:00"}, NO_TIME),
        ({"kind": "until", "day": "2026-06-04", "time": "05:00+01:00"}, NO_TIME),
        ({"kind": "until", "day": "2026-06-03", "time": "18:30"}, HAS_PASSED),
        ({"kind": "away", "day": "2026-06-03"}, HAS_PASSED),
        ({"kind": "trip", "day": "2026-06-06", "time": "08:00"}, NO_PERCENT),
        ({"kind": "trip", "within": "60", "percent": "101"}, NO_PERCENT),
        ({"kind": "level", "percent": "4e1"}, NO_PERCENT),
    ],
)
def test_forms_that_make_no_sense(form: dict[str, str], why: str) -> None:
    """The person reads what is missing."""
    with pytest.raises(UnclearWish) as caught:
        wish_of(form, EVENING, ZONE)
    assert str(caught.value) == why


def test_a_time_that_the_clock_shows_twice_is_the_first_one() -> None:
    """RFC 5545, section 3.3.5: on 5 April 2026 it is 02:30 there at 13:30 and 14:30 UTC."""
    form = {"kind": "until", "day": "2026-04-05", "time": "02:30"}
    now = datetime(2026, 4, 4, tzinfo=UTC)
    assert wish_of(form, now, ZONE) == {"skip_until": "2026-04-04T13:30:00+00:00"}


KINDS = [
    "now",
    "plan",
    "tonight",
    "tomorrow",
    "until",
    "trip",
    "away",
    "level",
    "vehicle",
    "remove",
]


@given(
    kind=st.sampled_from(KINDS),
    fields=st.dictionaries(
        st.sampled_from(["day", "time", "percent", "within", "vehicle", "remove"]),
        st.text(max_size=20) | st.dates().map(str) | st.times().map(str) | st.integers().map(str),
    ),
)
def test_every_form_is_a_request_or_a_sentence(kind: str, fields: dict[str, str]) -> None:
    """Nothing that a browser can send is a fault."""
    try:
        wish = wish_of({**fields, "kind": kind}, EVENING, ZONE)
    except UnclearWish:
        return
    if all(len(str(each)) <= 64 for each in wish.values()):
        decode(Request, dump_exact({"v": 1, **wish}).encode())
