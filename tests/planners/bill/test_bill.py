"""A bill beside ours: each difference has the cause that was put there."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta
from decimal import Decimal
from itertools import pairwise
from random import Random
from zoneinfo import ZoneInfo

import pytest

from planners.bill.bands import FROM_ENERGY, NO_SUCH_BAND, RATES, Purchase, compare_bands
from planners.bill.hours import (
    CLOCK,
    ESTIMATED,
    LESS,
    METERS_DIFFER,
    MISSING,
    MORE,
    NOT_ON_BILL,
    NOT_THIS_METER,
    OTHER_LOAD,
    UNEXPLAINED,
    Finding,
    compare_half_hours,
    findings,
)
from planners.local_time.settlement import HalfHour, half_hours

ZONE = ZoneInfo("Europe/Berlin")
FIRST, LAST = date(2026, 10, 20), date(2026, 10, 31)
HOUR = timedelta(hours=1)


def metered() -> list[HalfHour]:
    """Charge from two to five every night, by the wall."""
    grid = half_hours(FIRST, LAST, ZONE)
    return [HalfHour(a, b, 3600 if 2 <= a.astimezone(ZONE).hour < 5 else 0, 0) for a, b in grid]


def billed(ours: list[HalfHour]) -> dict[datetime, Decimal]:
    return {it.start: Decimal(it.wh or 0) for it in ours}


def causes(ours: list[HalfHour], theirs: dict[datetime, Decimal]) -> list[tuple[str, int, int]]:
    found = findings(compare_half_hours(ours, theirs, ZONE))
    return [(it.cause, it.shift_minutes, it.count) for it in found]


def test_what_agrees_has_no_cause() -> None:
    """Nor has what differs by 0.05 kWh at the most."""
    ours = metered()
    near = {start: wh + 50 for start, wh in billed(ours).items()}
    assert causes(ours, near) == []
    near[ours[30].start] += 1
    assert causes(ours, near) == [(OTHER_LOAD, 0, 1)]


@pytest.mark.parametrize(("wh", "cause"), [(500, {(LESS, 0), (MORE, 0)}), (501, {(CLOCK, 60)})])
def test_a_little_energy_tells_nothing_of_a_clock(wh: int, cause: set[tuple[str, int]]) -> None:
    """A bill that lacks 0.5 kWh at the most may have any cause."""
    grid = half_hours(FIRST, FIRST, ZONE)
    ours = [HalfHour(a, b, wh if place == 10 else 0, 0) for place, (a, b) in enumerate(grid)]
    theirs = {it.start: Decimal(wh if place == 12 else 0) for place, it in enumerate(ours)}
    assert {(found, shift) for found, shift, _ in causes(ours, theirs)} == cause


@pytest.mark.parametrize("hours", [-14, -1, 1, 14])
def test_a_clock_that_is_hours_away_is_told(hours: int) -> None:
    """The same energy, whole hours later or earlier, is one finding on each side of a change."""
    ours = metered()
    shifted = {start + hours * HOUR: wh for start, wh in billed(ours).items()}
    found = causes(ours, {it.start: Decimal(0) for it in ours} | shifted)
    assert {(cause, shift) for cause, shift, _ in found} == {(CLOCK, hours * 60)}


def test_a_clock_that_ignores_the_change_is_told_on_one_side_of_it() -> None:
    """Summer time that goes on after 25 October shifts what comes after it, and nothing before."""
    ours = metered()
    change = datetime.fromisoformat("2026-10-25T01:00:00+00:00")
    theirs = {
        start + (HOUR if start >= change else 0 * HOUR): wh for start, wh in billed(ours).items()
    }
    lines = compare_half_hours(ours, {it.start: Decimal(0) for it in ours} | theirs, ZONE)
    told = [line for line in lines if line.cause]
    assert {(line.cause, line.shift_minutes) for line in told} == {(CLOCK, 60)}
    assert min(line.start for line in told) >= change


def test_other_load_is_more_all_the_time() -> None:
    """A home that draws 0.2 kWh each half-hour is one finding; a clock is seen beside it."""
    ours = metered()
    home = {start: wh + 200 for start, wh in billed(ours).items()}
    assert causes(ours, home) == [(OTHER_LOAD, 0, len(ours))]
    late = {start: Decimal(200) for start in home} | {
        start + HOUR: wh for start, wh in home.items()
    }
    assert {(cause, shift) for cause, shift, _ in causes(ours, late)} == {
        (CLOCK, 60), (OTHER_LOAD, 0),
    }  # fmt: skip


def test_single_half_hours_have_their_own_causes() -> None:
    """Not read, not billed, estimated, or without a cause: each named where it is."""
    ours = metered()
    theirs = billed(ours)
    ours[4] = HalfHour(ours[4].start, ours[4].end, None, 0)
    del theirs[ours[5].start]
    ours[6] = HalfHour(ours[6].start, ours[6].end, 3600, 3600)
    theirs[ours[6].start] = Decimal(3000)
    theirs[ours[30].start] = Decimal(800)
    assert causes(ours, theirs) == [
        (MISSING, 0, 1), (NOT_ON_BILL, 0, 1), (ESTIMATED, 0, 1), (MORE, 0, 1),
    ]  # fmt: skip


MONTH = date(2026, 10, 1)


def home_month(seed: int = 1) -> tuple[list[HalfHour], dict[datetime, Decimal]]:
    """Make demo data: charge on most nights, in a home that cooks and washes.

    It uses 0.1 to 0.25 kWh each half-hour, 0.6 to 1.1 more when cooking, and a dryer at times.

    Returns
    -------
    tuple
        Our half-hours, and the bill of the whole home.
    """
    draw = Random(seed)
    grid = list(half_hours(MONTH, LAST, ZONE))
    ours, theirs = [], {}
    first, length = 0, 6
    for start, end in grid:
        clock = start.astimezone(ZONE)
        if clock.hour == 23 and clock.minute == 0:
            first, length = draw.randrange(1, 4), draw.choice([0, 4, 6, 8])
        since = (clock.hour - first) * 2 + clock.minute // 30
        wh = 3600 if 0 <= since < length else 0
        home = draw.randrange(100, 250)
        home += draw.randrange(600, 1100) if 17 <= clock.hour < 19 and draw.random() < 0.7 else 0
        home += 1200 if draw.random() < 0.01 else 0
        ours.append(HalfHour(start, end, wh, 0))
        theirs[start] = Decimal(wh + home)
    return ours, theirs


def apart(ours: list[HalfHour], theirs: dict[datetime, Decimal]) -> dict[str, Finding]:
    rates = {it.start: Decimal("0.40") for it in ours}
    found = findings(compare_half_hours(ours, theirs, ZONE, rates))
    return {f"{it.cause} {it.shift_minutes}": it for it in found}


def charged_nights(ours: list[HalfHour]) -> list[datetime]:
    """Return when each charging began."""
    return [b.start for a, b in pairwise(ours) if b.wh and not a.wh]


def test_the_rest_of_a_home_is_one_finding_and_nothing_to_ask_about() -> None:
    """Cooking and a dryer are the home's own, whatever hours the vehicle was charged in."""
    for seed in range(1, 5):
        assert set(apart(*home_month(seed))) == {f"{OTHER_LOAD} 0"}


@pytest.mark.parametrize("spread", [1, 4])
@pytest.mark.parametrize("wh", [5000, -5000])
def test_what_is_added_to_a_night_of_a_whole_home_is_found_and_priced(wh: int, spread: int) -> None:
    """5 kWh in one half-hour or four, on a bill that counts the whole home, at 0.40 a kWh."""
    ours, theirs = home_month()
    night = charged_nights(ours)[9]
    if wh < 0:
        spread = max(spread, 2)
    for count in range(spread):
        theirs[night + count * HOUR / 2] += Decimal(wh) / spread
    found = apart(ours, theirs)[f"{MORE if wh > 0 else LESS} 0"]
    assert found.start == night
    assert abs(found.apart_wh - wh) < 700, "the home's own change is in it too"
    assert found.cost == (found.apart_wh * Decimal("0.40")).scaleb(-3)
    assert set(apart(ours, theirs)) == {f"{MORE if wh > 0 else LESS} 0", f"{OTHER_LOAD} 0"}


def test_a_clock_an_hour_off_is_no_missing_energy_even_beside_a_home_and_a_missing_night() -> None:
    """The shift is one finding whose energy adds up to nothing; the missing night is another."""
    ours, theirs = home_month()
    night = charged_nights(ours)[5]
    for count in range(8):
        start = night + count * HOUR / 2
        theirs[start] -= min(
            theirs[start], Decimal(next(a.wh or 0 for a in ours if a.start == start))
        )
    found = apart(ours, {start + HOUR: wh for start, wh in theirs.items()})
    assert set(found) == {f"{CLOCK} 60", f"{LESS} 0", f"{OTHER_LOAD} 0"}
    assert found[f"{CLOCK} 60"].apart_wh == 0
    assert found[f"{LESS} 0"].apart_wh < -10_000


@pytest.mark.parametrize("minutes", [30, -60])
def test_a_bill_that_begins_before_the_month_shows_where_a_clock_moved_its_edges(
    minutes: int,
) -> None:
    """Charging over the last midnight is not missing: the bill has it beyond the month."""
    grid = list(half_hours(MONTH, LAST, ZONE))
    ours = [
        HalfHour(a, b, 3600 if a.astimezone(ZONE).hour in {22, 23, 0} else 0, 0) for a, b in grid
    ]
    shifted = {it.start + timedelta(minutes=minutes): Decimal(it.wh or 0) for it in ours}
    assert set(apart(ours, shifted)) == {f"{CLOCK} {minutes}"}


def test_the_clock_of_the_last_hours_is_that_of_the_month() -> None:
    """A change of the clock on the last day leaves too little energy to tell."""
    grid = list(half_hours(date(2026, 10, 10), date(2026, 10, 25), ZONE))
    ours = [HalfHour(a, b, 3600 if a.astimezone(ZONE).hour >= 22 else 0, 0) for a, b in grid]
    ours = [it if it.start < grid[-3][0] else replace(it, wh=250) for it in ours]
    theirs = {it.start + HOUR: Decimal((it.wh or 0) + 150) for it in ours}
    assert set(apart(ours, theirs)) == {f"{CLOCK} 60", f"{OTHER_LOAD} 0"}


def test_meters_that_count_differently_are_told_by_their_factor() -> None:
    """A bill that counts 8 % more of the charging, beside a home and without one."""
    ours, theirs = home_month()
    more = {it.start: theirs[it.start] + Decimal(it.wh or 0) * 8 / 100 for it in ours}
    found = apart(ours, more)[f"{METERS_DIFFER} 0"]
    charged = sum(it.wh or 0 for it in ours)
    assert abs(found.apart_wh / charged - Decimal("0.08")) < Decimal("0.01")
    alone = apart(ours, {it.start: Decimal(it.wh or 0) * 108 / 100 for it in ours})
    assert set(alone) == {f"{METERS_DIFFER} 0"}
    assert alone[f"{METERS_DIFFER} 0"].apart_wh == charged * Decimal("0.08")


def test_the_bill_of_another_home_is_told() -> None:
    """None of the charging's jumps is in it."""
    ours, _ = home_month()
    _, theirs = home_month(seed=9)
    other = {start: min(wh, Decimal(1500)) for start, wh in theirs.items()}
    assert f"{NOT_THIS_METER} 0" in apart(ours, {k: v % 900 + 100 for k, v in other.items()})


def bought(kwh: str, cost: str, estimated_wh: int = 0) -> Purchase:
    return Purchase(Decimal(kwh) * 1000, Decimal(cost), estimated_wh)


@pytest.mark.parametrize(
    ("ours", "theirs", "all_read", "energy", "cost"),
    [
        (bought("100", "20.00"), bought("101", "20.20"), True, "", FROM_ENERGY),
        (bought("5", "1.00"), bought("5.1", "1.02"), True, "", ""),
        (bought("100", "20.00"), bought("100", "23.00"), True, "", RATES),
        (bought("100", "20.00", 6000), bought("95", "19.00"), True, ESTIMATED, FROM_ENERGY),
        (bought("107", "21.40", 6000), bought("100", "20.00"), True, ESTIMATED, FROM_ENERGY),
        (bought("100", "20.00"), bought("140", "28.00"), False, MISSING, FROM_ENERGY),
        (bought("100", "20.00"), bought("140", "28.00"), True, OTHER_LOAD, FROM_ENERGY),
        (bought("100", "20.00"), bought("80", "16.00"), True, UNEXPLAINED, FROM_ENERGY),
    ],
)
def test_a_band_has_the_cause_of_what_differs(
    ours: Purchase, theirs: Purchase, energy: str, cost: str, *, all_read: bool
) -> None:
    """Energy above 1 % or 0.1 kWh, cost above 0.02; a cost that its energy explains says so."""
    (line,) = compare_bands({"night": ours}, {"night": theirs}, all_read=all_read)
    assert (line.energy_cause, line.cost_cause) == (energy, cost)


def test_energy_that_moved_between_bands_is_a_clock() -> None:
    """The sums agree, one band has more and the other less."""
    lines = compare_bands(
        {"night": bought("100", "20.00"), "day": bought("50", "15.00")},
        {"night": bought("90", "18.00"), "day": bought("60", "18.00")},
        all_read=True,
    )
    assert [line.energy_cause for line in lines] == [CLOCK, CLOCK]


@pytest.mark.parametrize(("day", "cause"), [("3.1", CLOCK), ("3.11", UNEXPLAINED)])
def test_sums_that_a_clock_leaves_agree_as_a_band_does(day: str, cause: str) -> None:
    """Both bands together may differ by 0.1 kWh, as one may."""
    lines = compare_bands(
        {"night": bought("5", "1.00"), "day": bought("2", "1.00")},
        {"night": bought("4", "1.00"), "day": bought(day, "1.00")},
        all_read=True,
    )
    assert [line.energy_cause for line in lines] == [cause, cause]


@pytest.mark.parametrize(
    ("alone", "cause"), [(bought("0", "0"), ""), (bought("0", "2"), NO_SUCH_BAND)]
)
def test_a_band_of_one_side_alone_is_no_difference_if_it_is_empty(
    alone: Purchase, cause: str
) -> None:
    """A band without energy has its name told only if it costs something."""
    (line,) = compare_bands({}, {"free": alone}, all_read=True)
    assert (line.energy_cause, line.cost_cause) == (cause, cause)


def test_a_band_of_one_side_alone_is_told() -> None:
    """Whatever else it may be: its name."""
    lines = compare_bands({"night": bought("9", "2")}, {"nacht": bought("9", "2")}, all_read=True)
    assert [line.energy_cause for line in lines] == [NO_SUCH_BAND, NO_SUCH_BAND]
