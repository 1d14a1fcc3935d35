"""Forecasts that come over the bus, and in a file: taken as they are, or dropped with a reason."""

from __future__ import annotations

import json
from datetime import timedelta
from typing import Any

import pytest

from adapters.contract.messages import Forecast, MalformedMessage, decode
from config.home.generation import Generation
from daemon.generation.forecasts import RefusedForecastError, points_of
from tests.daemon.worlds import utc

NOW = utc("2026-12-04T05:30")
ROOF = {"peak_kw": 5, "tilt_degrees": 25, "azimuth_degrees": 0}
GENERATION = Generation.model_validate(
    {"latitude": -36.85, "longitude": 174.76, "roofs": [ROOF], "forecast": {}}
)
NOON = "2026-12-05T00:00:00Z"


def message(powers: dict[str, dict[str, float]], issued: str = "2026-12-04T05:00:12Z") -> Forecast:
    power = [{"start": start, **value} for start, value in powers.items()]
    return decode(Forecast, json.dumps({"v": 1, "issued": issued, "power": power}).encode())


def test_kilowatts_and_watts_are_taken() -> None:
    """In order of time, with the instant of issue; what is long over is left out."""
    made = message({
        NOON: {"watts": 2500},
        "2026-12-04T23:00:00+00:00": {"kw": 2},
        "2026-12-01T23:00:00Z": {"kw": 1},
    })  # fmt: skip
    points = points_of(made, GENERATION, NOW)
    assert [(each.start, each.kw) for each in points] == [
        (utc("2026-12-04T23:00"), 2.0),
        (utc("2026-12-05T00:00"), 2.5),
    ]
    assert {each.issued for each in points} == {made.issued}


@pytest.mark.parametrize(
    ("made", "why"),
    [
        (message({NOON: {"kw": 1}}, "2026-12-04T06:00:00Z"), "which is yet to come"),
        (message({"2026-12-04T02:00:00Z": {"kw": 1}}), "which is over"),
        (message({"2027-01-05T00:00:00Z": {"kw": 1}}), "further than any forecast can"),
        (message({NOON: {"kw": 50}}), "are the values in watts"),
        (message({"2026-12-04T12:00:00Z": {"kw": 5}}), "the sun is below the horizon"),
    ],
)
def test_what_can_not_be_true_is_refused(made: Forecast, why: str) -> None:
    """From the future, late, without end, in another unit, with a sun at midnight."""
    with pytest.raises(RefusedForecastError, match=why):
        points_of(made, GENERATION, NOW)


@pytest.mark.parametrize(
    "power",
    [
        [],
        [{"start": NOON, "kw": -1}],
        [{"start": NOON}],
        [{"start": NOON, "kw": 1, "watts": 1000}],
        [{"start": NOON, "kw": "1"}],
        [{"start": "2026-12-05T00:00:00", "kw": 1}],
        [{"start": NOON, "kw": 1}] * 2001,
    ],
    ids=["none", "negative", "no power", "two units", "a text", "no offset", "too many"],
)
def test_malformed_messages_are_refused(power: list[dict[str, Any]]) -> None:
    """None of them gets as far as a plan."""
    text = {"v": 1, "issued": "2026-12-04T05:00:00Z", "power": power}
    with pytest.raises(MalformedMessage):
        decode(Forecast, json.dumps(text).encode())


def test_a_week_in_quarter_hours_fits_into_a_message() -> None:
    """With room to spare below the 64 KiB of a message."""
    first = utc("2026-12-04T12:00")
    power = [
        {"start": (first + step * timedelta(minutes=15)).isoformat(), "kw": 0.05}
        for step in range(7 * 96)
    ]
    text = json.dumps({"v": 1, "issued": "2026-12-04T05:00:00Z", "power": power})
    assert len(points_of(decode(Forecast, text.encode()), GENERATION, NOW)) == 7 * 96
