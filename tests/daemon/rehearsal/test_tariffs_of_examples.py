"""The examples of tariffs are explained, planned with and rehearsed, as a newcomer tries them."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.support.commands import Ran

Run = Callable[..., Ran]
EXAMPLES = Path(__file__).parents[3] / "config" / "examples"

PLANS = {
    "two-rates": ("2026-06-03T19:00:00+01:00", "night", "2026-06-04T00:30:00Z"),
    "market-and-network": ("2026-09-30T19:00:00+13:00", "price", "2026-09-30T13:00:00Z"),
    "seasons-and-weekends": ("2026-04-07T19:00:00-07:00", "late night", "2026-04-08T07:00:00Z"),
    "free-noon": ("2026-10-02T19:00:00+09:30", "free noon", "2026-10-03T01:30:00Z"),
    "announced-days": ("2026-12-02T19:00:00+01:00", "costly night", "2026-12-02T21:00:00Z"),
    "controlled-circuit": ("2027-01-11T19:00:00+11:00", "controlled", "2027-01-11T12:00:00Z"),
    "highest-hours": ("2026-10-05T19:00:00+02:00", "day", "2026-10-05T17:00:00Z"),
}
"""Instant of the plan, its last band, and the earliest start that a look at the file allows.

The stepped charge for the highest hours is spared by charging slowly from the evening on.
"""


@pytest.mark.parametrize("example", PLANS)
def test_it_is_explained_and_planned_with(example: str, run: Run) -> None:
    """`check` has no fault, and the plan begins in the hours that the file makes cheap."""
    at, band, start = PLANS[example]
    file = str(EXAMPLES / f"{example}.yaml")
    checked = run("check", file, "--at", at)
    assert (checked.code, checked.err) == (0, "")
    ran = run("plan", file, "--soc", "45", "--at", at, "--json")
    assert ran.code == 0
    plan = json.loads(ran.out)
    assert plan["periods"][-1]["band"] == band
    assert plan["periods"][0]["start"] >= start


def test_a_costly_day_is_rehearsed(run: Run) -> None:
    """The night before an announced costly day is charged at its own night rate."""
    file = str(EXAMPLES / "announced-days.yaml")
    ran = run("rehearse", file, "--at", "2026-12-02T18:30:00+01:00")
    assert ran.code == 0
    assert "costly night" in ran.out
    assert "costly day" not in ran.out.rpartition("Night of")[2]
    assert "enough for the departure, starts: 1." in ran.out
