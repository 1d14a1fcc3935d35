"""A plan in a terminal: the strip, the table, the totals."""

from __future__ import annotations

import io
from dataclasses import replace
from datetime import timedelta
from decimal import Decimal
from itertools import pairwise
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import pytest
from rich.console import Console

from config.files.price_series import PricePoint
from daemon.presentation.show_plan import CELLS, show_plan, strip
from planners.plan.plan import LaterNight
from planners.rates.prices import prices_of
from tests.planners.households import band, bands, series
from tests.planners.plan.test_prepared_nights import ONE_RATE, home, planned, trip, workdays
from tests.planners.planned import THREE_BANDS, DemoHousehold, utc

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from config.household.household_file import HouseholdFile
    from planners.plan.plan import Plan

EVENING = "2026-06-03T06:30:00"
HOURS = timedelta(hours=8)
INDENT = 10
TWO_RATES = bands(band("low", "0.07", hours=["23:30-05:30"]), band("high", "0.25"))


def strip_of(given: DemoHousehold, plan: Plan) -> list[str]:
    """Return the lines of the strip from the plan's instant to its departure."""
    file = given.file()
    spans = prices_of(file, {}).spans(plan.made_at, plan.departure)
    return [line.plain for line in strip(plan, spans, file.zone)]


def printed(given: DemoHousehold, plan: Plan, columns: int = 80) -> str:
    return text_of(plan, given.file(), given.series, columns)


def text_of(
    plan: Plan,
    file: HouseholdFile,
    series: Mapping[str, Sequence[PricePoint]] | None = None,
    columns: int = 80,
) -> str:
    spans = prices_of(file, series or {}).spans(plan.made_at, plan.departure)
    out = io.StringIO()
    Console(file=out, width=columns).print(show_plan(plan, spans, file.zone))
    return out.getvalue()


def marks(line: str) -> dict[int, str]:
    """Return the labels over the strip, by the cell in which they begin."""
    return {
        place: line[INDENT + place :][:2]
        for place in range(len(line) - INDENT)
        if line[INDENT + place].isdigit() and line[INDENT + place - 1] == " "
    }


def test_the_strip_shows_hours_rates_and_charging() -> None:
    """Cells of a quarter-hour, 18:30 to 07:20: expensive until 21:00, then charging."""
    given = DemoHousehold(tariffs=[THREE_BANDS])
    hours, rates, charging, legend = strip_of(given, given.plan(35.0, EVENING))
    assert hours == " " * 12 + "19  20  21  22  23  00  01  02  03  04  05  06  07"
    assert rates == "rate      " + 10 * "█" + 40 * "▁" + 2 * "█"
    assert charging == "charging  " + 10 * "·" + 14 * "█" + "▄" + 27 * "·"
    assert legend == " " * 10 + "peak 0.4738 night 0.1932 NZD per kWh"


def test_the_strip_tells_roof_and_grid_apart() -> None:
    """By pattern and in words: the first period is mostly from the roof, the second is not."""
    given = DemoHousehold()
    plan = given.plan(35.0, EVENING)
    (period,) = plan.periods
    half = period.start + (period.end - period.start) / 2
    first = replace(period, end=half, kwh=period.kwh / 2, roof_kwh=0.4 * period.kwh)
    then = replace(period, start=half, kwh=period.kwh / 2, roof_kwh=0.1 * period.kwh)
    _, _, charging, _, legend = strip_of(given, replace(plan, periods=(first, then)))
    marks = charging.removeprefix("charging").strip(" ·")
    assert {"▓", "█"} <= set(marks)
    assert marks[0] == "▓"
    assert legend.strip() == "▓ mostly from the roof, █ from the grid"


def test_the_strip_marks_estimated_rates() -> None:
    """Prices are known until 22:30; the quarter-hours after that are estimates."""
    points = [PricePoint(utc(EVENING) + i * timedelta(minutes=30), Decimal(1)) for i in range(8)]
    given = DemoHousehold(tariffs=[series(step_minutes=30)], series={"Series": points})
    spans = prices_of(given.file(), {"Series": points}).spans(utc(EVENING), utc(EVENING) + HOURS)
    lines = [line.plain for line in strip(given.plan(35.0, EVENING), spans, given.file().zone)]
    assert lines[2] == "estimated " + " " * 16 + "~" * 16


NIGHTS = [
    pytest.param("Europe/London", "2026-03-28T12:00", 23, id="23 hours"),
    pytest.param("Europe/London", "2026-10-24T11:00", 25, id="25 hours"),
    pytest.param("Australia/Lord_Howe", "2026-04-04T01:00", 24.5, id="24.5 hours"),
    pytest.param("Australia/Lord_Howe", "2026-10-03T01:30", 23.5, id="23.5 hours"),
    pytest.param("Antarctica/Troll", "2026-10-24T10:00", 26, id="26 hours"),
    pytest.param("Asia/Kathmandu", "2026-10-24T06:15", 24, id="24 hours"),
]


@pytest.mark.parametrize(("zone", "noon", "hours"), NIGHTS)
def test_a_night_of_any_length_fills_the_strip_once(zone: str, noon: str, hours: float) -> None:
    """Noon to noon over a clock change: exactly one cell for each half-hour."""
    given = DemoHousehold(
        {"timezone": zone}, [TWO_RATES], leaves={"at": "12:00", "margin_minutes": 0}
    )
    plan = given.plan(20.0, noon)
    assert plan.made_at.astimezone(ZoneInfo(zone)).hour == 12
    labels, rates, charging, _legend = strip_of(given, plan)
    assert len(rates) == len(charging) == INDENT + 2 * hours
    named = list(marks(labels).values())
    assert named[0] == "12"
    assert len(labels) <= INDENT + CELLS
    assert all(a != b or hours > 24 for a, b in pairwise(named))


def test_the_hour_that_is_repeated_is_shown_twice() -> None:
    """London, 25 October 2026: from midnight on the hours read 00, 01, 01, 02."""
    given = DemoHousehold({"timezone": "Europe/London"}, [TWO_RATES], leaves={"at": "06:00"})
    labels = list(marks(strip_of(given, given.plan(20.0, "2026-10-24T20:00"))[0]).values())
    assert labels == ["21", "22", "23", "00", "01", "01", "02", "03", "04", "05"]


def test_the_hour_that_is_skipped_is_not_shown() -> None:
    """London, 29 March 2026: from midnight on the hours read 00, 02."""
    given = DemoHousehold({"timezone": "Europe/London"}, [TWO_RATES], leaves={"at": "06:00"})
    labels = list(marks(strip_of(given, given.plan(20.0, "2026-03-28T20:00"))[0]).values())
    assert labels == ["20", "21", "22", "23", "00", "02", "03", "04", "05"]


@pytest.mark.parametrize("days", [1, 2, 3, 7, 20, 40])
def test_a_far_departure_still_fits(days: int) -> None:
    """The strip is at most 78 columns wide, the text 80, however far the departure."""
    date = utc("2026-06-03T00:00:00").replace(day=1, month=6 + (days > 25)).date()
    date = date.replace(day=(2 + days) % 30 + 1)
    leaves = {"days": None, "date": date, "at": "07:20"}
    given = DemoHousehold({"tick_minutes": 60}, leaves=leaves)
    plan = given.plan(30.0, EVENING)
    lines = strip_of(given, plan)
    assert 20 <= len(lines[1]) - INDENT <= CELLS
    assert max(map(len, lines)) <= INDENT + CELLS
    assert any(mark in lines[2] for mark in "█▄"), "a short charge shows in a long strip"
    assert max(map(len, printed(given, plan).splitlines())) <= 80


def test_many_rates_are_named_by_their_range() -> None:
    """A legend that would not fit gives the lowest and the highest rate."""
    rows = [
        band(f"band number {i}", f"0.{10 + i}", hours=[f"{i:02d}:00-{i + 1:02d}:00"])
        for i in range(22)
    ]
    given = DemoHousehold(tariffs=[bands(*rows, band("rest", "0.60"))])
    legend = strip_of(given, given.plan(30.0, EVENING))[-1]
    assert legend == " " * 10 + "0.1000 to 0.6000 NZD per kWh"


def test_one_rate_is_drawn_low() -> None:
    """At a flat rate nothing stands out."""
    given = DemoHousehold(tariffs=[bands(band("all", "0.20"))])
    assert set(strip_of(given, given.plan(30.0, EVENING))[1][INDENT:]) == {"▁"}


def test_without_time_there_is_no_strip() -> None:
    """No spans, no lines."""
    given = DemoHousehold()
    assert strip(given.plan(30.0, EVENING), (), ZoneInfo("Pacific/Auckland")) == []


def test_the_table_names_each_period() -> None:
    """When by the household's clock, current, energy, band and cost."""
    given = DemoHousehold(point={"max_amps": 10.0})
    lines = [
        " ".join(line.split()) for line in printed(given, given.plan(30.0, EVENING)).split("\n")
    ]
    start = lines.index("period current energy band cost")
    assert lines[start + 2] == "Wed 21:00 to Thu 07:00 10 A 23.00 kWh night NZD 4.44"


def test_a_period_of_less_than_a_minute_has_a_length() -> None:
    """It shows seconds; one without a second, energy and cost is left out."""
    given = DemoHousehold()
    plan = given.plan(35.0, EVENING)
    (whole,) = plan.periods
    start = whole.end
    short = replace(whole, start=start, end=start + timedelta(seconds=2), kwh=0.004, cost=0.001)
    none = replace(whole, start=short.end, end=short.end, kwh=1e-6, cost=1e-7)
    text = printed(given, replace(plan, periods=(whole, short, none)))
    rows = [line.split() for line in text.splitlines() if " A " in line and " to " in line][:3]
    times = [" ".join(row[:5]) for row in rows]
    assert times[0] == "Wed 21:00 to Thu 00:32"
    assert times[1] == "Thu 00:31:57 to Thu 00:31:59"
    assert "Thu 00:32:59 to" not in text


def test_the_totals_compare_like_with_like() -> None:
    """A baseline shows its energy only if it differs from the plan's."""
    given = DemoHousehold(point={"max_amps": 10.0})
    text = printed(given, given.plan(30.0, EVENING))
    assert "28.89 kWh at the meter for NZD 7.23, 1 start." in text
    assert "on a timer: NZD 4.44 for 23.00 kWh." in text
    same = printed(DemoHousehold(), DemoHousehold().plan(35.0, EVENING))
    assert "At once: NZD 10.19; on a timer: NZD 5.02." in same


def test_a_plan_without_periods_has_no_table() -> None:
    """Nothing to charge: the strip, the totals of nothing, and the reason."""
    text = printed(DemoHousehold(), DemoHousehold().plan(90.0, EVENING))
    assert "period" not in text
    assert "0.00 kWh at the meter for NZD 0.00, 0 starts." in text
    assert "nothing to charge" in text


@pytest.mark.parametrize("columns", [40, 60, 80, 200])
def test_nothing_is_wider_than_the_terminal(columns: int) -> None:
    """Sentences are broken at the terminal's width, whatever it is."""
    text = printed(DemoHousehold(), DemoHousehold().plan(35.0, EVENING), columns)
    assert max(map(len, text.splitlines())) <= columns


def test_the_periods_add_up_to_the_totals_as_shown() -> None:
    """To the last decimal: a reader may add them up."""
    given = DemoHousehold(point={"max_amps": 13.0}, leaves={"need_percent": 100.0})
    plan = given.plan(21.0, EVENING)
    assert len(plan.periods) > 1
    rows = [line.split() for line in printed(given, plan).splitlines() if " A " in line]
    rows = [row for row in rows if "kWh" in row and "to" in row]
    assert len(rows) == len(plan.periods)
    assert (
        f"{sum(float(row[row.index('kWh') - 1]) for row in rows):.2f}" == f"{plan.energy_kwh:.2f}"
    )
    assert f"{sum(float(row[-1]) for row in rows):.2f}" == f"{plan.cost:.2f}"


def test_what_is_bought_for_a_later_departure_is_said_to_be() -> None:
    """Wednesday leaves with more than it needs, for the trip on Thursday."""
    file = home([workdays(40.0), trip("2026-06-04", 100.0)], tariff=ONE_RATE)
    plan = planned(file, 45.0)
    lines = text_of(plan, file).splitlines()
    assert lines[1] == "Needs 40 %. What is charged beyond that is for later departures."
    alone = planned(home([workdays(60.0)], tariff=ONE_RATE), 45.0)
    assert text_of(alone, file).splitlines()[1] == "Needs 60 %, and wants no more."


def test_a_later_night_that_leaves_a_want_unmet_says_so() -> None:
    """Nothing to charge is said only of a night with all that is wanted."""
    given = DemoHousehold()
    plan = given.plan(35.0, EVENING)
    night = LaterNight(
        returns=plan.departure, departure=plan.departure + 3 * HOURS, soc_percent=83.0,
        need_percent=50.0, want_percent=100.0, reaches_percent=83.0, energy_kwh=0.0, cost=0.0,
        periods=(),
    )  # fmt: skip
    assert (
        "Nothing is charged: 100 % is wanted, but not at what it would cost in this night."
    ) in " ".join(printed(given, replace(plan, later=(night,))).split())
    full = replace(night, want_percent=83.0)
    assert "Nothing to charge." in printed(given, replace(plan, later=(full,)))
