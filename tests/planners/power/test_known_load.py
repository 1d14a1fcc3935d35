"""What the rest of the home is known to draw leaves less of the main fuse for charging."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from functools import partial
from itertools import pairwise
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.household.household_file import HouseholdFile
from planners.local_time.conversion import minute_of
from planners.plan.window import window_of
from planners.power.allowed_currents import amps_allowed, highest_amps
from planners.power.circuits import has_power
from planners.power.home_load import home_load
from planners.rates.prices import prices_of
from tests.planners.households import band, bands
from tests.planners.planned import EVERY_DAY, DemoHousehold, minutes, utc

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

WEEKDAYS = ["mon", "tue", "wed", "thu", "fri"]
EVENINGS = {"amps": 24.0, "hours": ["17:00-21:00"], "days": WEEKDAYS}
POINT, CAR = "driveway", "hatchback"


def home(*load: dict[str, Any], fuse: float = 40.0, **keys: object) -> dict[str, Any]:
    return {"main_fuse_amps": fuse, "known_load": list(load), **keys}


def loaded(*load: dict[str, Any], zone: str = "UTC", **given: Any) -> HouseholdFile:  # noqa: ANN401 - parts of DemoHousehold
    keys = given.pop("keys", {})
    fuse = given.pop("fuse", 40.0)
    return DemoHousehold(home(*load, fuse=fuse, timezone=zone, **keys), **given).file()


def allowed_currents(file: HouseholdFile, start: str, end: str) -> list[tuple[str, float]]:
    """List each span's start as day and time of day, UTC, with its current."""
    spans = amps_allowed(file, POINT, CAR, utc(start), utc(end))
    return [(f"{span.start:%d %H:%M}", span.amps) for span in spans]


def amps_at(file: HouseholdFile, point: str, car: str, instant: datetime) -> float:
    """Highest current allowed at an instant."""
    return amps_allowed(file, point, car, instant, instant + datetime.resolution)[0].amps


def amps_by_tick(file: HouseholdFile, start: datetime, ticks: int, tick: int) -> list[float]:
    """Currents of the ticks that the planner lays from `start` on."""
    allowed = partial(amps_allowed, file, POINT, CAR)
    window = window_of(prices_of(file, {}), start, start + minutes(ticks * tick), tick, allowed)
    return [slot.amps for slot in window.ticks]


def test_the_load_leaves_less_for_charging() -> None:
    """Of 40 A, the 24 A of a weekday's evening leave 16; Saturday's evening has none."""
    file = loaded(EVENINGS)
    assert allowed_currents(file, "2026-06-05T12:00", "2026-06-06T23:00") == [
        ("05 12:00", 32.0),
        ("05 17:00", 16.0),
        ("05 21:00", 32.0),
    ]
    assert highest_amps(file, POINT, CAR) == 32
    assert amps_at(file, POINT, CAR, utc("2026-06-05T16:59:59.9")) == 32
    assert amps_at(file, POINT, CAR, utc("2026-06-05T17:00")) == 16


def test_items_that_overlap_add_up() -> None:
    """24 A and from 18:00 to 19:00 another 5 A: 11 A are left then."""
    file = loaded(EVENINGS, {"amps": 5.0, "hours": ["18:00-19:00"]})
    assert [amps for _, amps in allowed_currents(file, "2026-06-05T16:00", "2026-06-05T22:00")] == [
        32, 16, 11, 16, 32
    ]  # fmt: skip


def test_the_hours_are_those_of_the_local_clock() -> None:
    """17:00 in Auckland's winter is 05:00 UTC."""
    file = loaded(EVENINGS, zone="Pacific/Auckland")
    assert allowed_currents(file, "2026-06-05T00:00", "2026-06-05T12:00") == [
        ("05 00:00", 32.0),
        ("05 05:00", 16.0),
        ("05 09:00", 32.0),
    ]


@pytest.mark.parametrize(
    ("night", "hours"), [("2026-03-29T00:00", 1), ("2026-10-25T00:00", 3), ("2026-06-01T00:00", 2)]
)
def test_the_hour_of_a_clock_change(night: str, hours: int) -> None:
    """00:30-02:30 in London lasts an hour less or more on the nights of a change."""
    start = utc(night) - timedelta(hours=6)
    file = loaded({"amps": 24.0, "hours": ["00:30-02:30"]}, zone="Europe/London")
    spans = amps_allowed(file, POINT, CAR, start, start + timedelta(hours=12))
    assert [span.end - span.start for span in spans if span.amps == 16] == [timedelta(hours=hours)]


@pytest.mark.parametrize(
    ("days", "on_the_holiday"),
    [(WEEKDAYS, 16), ([*WEEKDAYS, "holiday"], 16), (["sun", "holiday"], 16), (["sun"], 32)],
)
def test_a_public_holiday(days: list[str], on_the_holiday: float) -> None:
    """Monday 1 June 2026 is a holiday in NZ: an ordinary Monday, unless an item names holidays."""
    file = loaded({**EVENINGS, "days": days}, keys={"public_holidays": "NZ"})
    assert amps_at(file, POINT, CAR, utc("2026-06-01T18:00")) == on_the_holiday


def test_a_holiday_named_by_one_item_is_no_weekday_for_the_others() -> None:
    """As with bands: once an item names holidays, an item for Mondays leaves them alone."""
    named = {"amps": 1.0, "hours": ["08:00-09:00"], "days": ["holiday"]}
    file = loaded(EVENINGS, named, keys={"public_holidays": "NZ"})
    assert amps_at(file, POINT, CAR, utc("2026-06-01T18:00")) == 32
    assert amps_at(file, POINT, CAR, utc("2026-06-02T18:00")) == 16


@pytest.mark.parametrize(
    ("load", "amps"), [(8.0, 32), (8.5, 31), (34.0, 6), (34.1, 0), (40.0, 0), (33.9, 6)]
)
def test_a_current_too_low_to_be_set_is_none(load: float, amps: float) -> None:
    """Below the lowest current that the point can be set to, 6 A, it can't charge."""
    file = loaded({"amps": load, "hours": ["00:00-24:00"]})
    assert amps_at(file, POINT, CAR, utc("2026-06-01T18:00")) == amps


def test_sums_of_decimals_are_no_trap() -> None:
    """33.7 + 0.1 + 0.2 A leave 6 A exactly, though binary fractions say a little less."""
    hours = ["00:00-24:00"]
    file = loaded(*({"amps": amps, "hours": hours} for amps in (33.7, 0.1, 0.2)))
    assert 33.7 + 0.1 + 0.2 > 34
    assert amps_at(file, POINT, CAR, utc("2026-06-01T18:00")) == 6


def test_loads_beyond_the_fuse_leave_nothing() -> None:
    """Items that add up to more than the fuse leave 0 A, not a negative current."""
    file = loaded(*[{"amps": 30.0, "hours": ["17:00-21:00"]}] * 2)
    assert amps_at(file, POINT, CAR, utc("2026-06-01T18:00")) == 0


@pytest.mark.parametrize(("load", "amps"), [(30.0, 10), (31.0, 0)])
def test_a_relay_is_on_with_all_or_nothing(load: float, amps: float) -> None:
    """A plug of 16 A whose vehicle draws 10: it may be on while 10 A are left."""
    file = loaded(
        {"amps": load, "hours": ["00:00-24:00"]},
        point={"switching": "on_off", "max_amps": 16.0},
        car={"max_amps": 10.0},
    )
    assert amps_at(file, POINT, CAR, utc("2026-06-01T18:00")) == amps


def test_the_vehicle_limits_too() -> None:
    """A vehicle of 16 A is not changed by a load that leaves 20."""
    file = loaded({"amps": 20.0, "hours": ["17:00-21:00"]}, car={"max_amps": 16.0})
    assert allowed_currents(file, "2026-06-01T12:00", "2026-06-02T12:00") == [("01 12:00", 16.0)]


def test_without_a_known_load_nothing_changes() -> None:
    """One current from start to end, with or without a fuse."""
    for fuse in (None, 25.0):
        file = DemoHousehold({"main_fuse_amps": fuse}).file()
        start, end = utc("2026-06-01T12:00:30"), utc("2026-06-09T12:00")
        [span] = amps_allowed(file, POINT, CAR, start, end)
        assert (span.start, span.end, span.amps) == (start, end, highest_amps(file, POINT, CAR))
        assert amps_allowed(file, POINT, CAR, end, end) == ()
        assert amps_by_tick(file, end, 3, 5) == [span.amps] * 3


def test_a_tick_has_the_lowest_of_its_instants() -> None:
    """A load from 17:03 to 17:07 lowers the ticks of 17:00 and 17:05, and no other."""
    file = loaded({"amps": 24.0, "hours": ["17:03-17:07"]})
    start = utc("2026-06-01T16:55")
    assert amps_by_tick(file, start, 5, 5) == [32, 16, 16, 32, 32]
    assert amps_by_tick(file, start, 0, 5) == []


def test_the_fragment_before_the_first_tick_has_the_lowest_of_its_instants_too() -> None:
    """From 16:56:30 to 17:00 a load of the minute 16:58 counts."""
    file = loaded({"amps": 24.0, "hours": ["16:58-16:59"]})
    start, end = utc("2026-06-01T16:56:30"), utc("2026-06-01T17:10")
    window = window_of(prices_of(file, {}), start, end, 5, partial(amps_allowed, file, POINT, CAR))
    assert window.fragment is not None
    assert window.fragment.amps == 16
    assert [tick.amps for tick in window.ticks] == [32, 32]


hours = st.builds(
    lambda start, end: f"{start // 60:02d}:{start % 60:02d}-{end // 60:02d}:{end % 60:02d}",
    st.integers(0, 1439),
    st.integers(0, 1440),
)
loads = st.lists(
    st.fixed_dictionaries(
        {
            "amps": st.integers(1, 400).map(lambda tenths: tenths / 10),
            "hours": st.lists(hours, min_size=1, max_size=2),
        }
    ),
    max_size=3,
)
instants = st.datetimes(
    datetime(2026, 1, 1), datetime(2027, 12, 31), timezones=st.just(UTC)  # noqa: DTZ001 - hypothesis adds the zone
)  # fmt: skip
zones = st.sampled_from(["Pacific/Auckland", "Europe/London", "Australia/Lord_Howe", "UTC"])


@given(loads, zones, instants, st.integers(1, 1500))
def test_spans_and_instants_agree(
    load: list[dict[str, Any]], zone: str, start: datetime, length: int
) -> None:
    """Spans have no gap, neighbours differ, and each instant has the current of its span."""
    file = loaded(*load, zone=zone)
    end = start + minutes(length)
    spans = amps_allowed(file, POINT, CAR, start, end)
    assert (spans[0].start, spans[-1].end) == (start, end)
    assert all(one.end == two.start and one.amps != two.amps for one, two in pairwise(spans))
    assert all(span.start < span.end for span in spans)
    for span in spans:
        assert amps_at(file, POINT, CAR, span.start) == span.amps
        assert amps_at(file, POINT, CAR, span.end - datetime.resolution) == span.amps


@given(loads, zones, instants)
def test_the_load_is_what_the_wall_clock_says(
    load: list[dict[str, Any]], zone: str, instant: datetime
) -> None:
    """At any instant the load is the sum of the items whose hours the clock on the wall shows."""
    file = loaded(*load, zone=zone)
    minute = minute_of(instant)
    local = instant.astimezone(ZoneInfo(zone))
    shown = local.hour * 60 + local.minute
    items = file.household.known_load
    expected = sum(item.amps for item in items if any(each.contains(shown) for each in item.hours))
    assert home_load(file, minute, minute + 1).tolist() == [pytest.approx(expected)]


def several(
    fuse: float, points: Sequence[Mapping[str, Any]], load: float, cars: Sequence[float | None]
) -> HouseholdFile:
    """Make a household of several charge points, each with one vehicle, and a load all day."""
    point = {"charging_mode": 3, "max_amps": 32.0, "switching": "current"}
    known = [{"amps": load, "hours": ["17:00-21:00"]}] if load else []
    return HouseholdFile.model_validate(
        {
            "household": {
                "name": "H", "timezone": "UTC", "currency": "NZD",
                "main_fuse_amps": fuse, "known_load": known,
            },
            "tariffs": [bands(band("all"))],
            "charge_points": {f"p{i}": point | dict(given) for i, given in enumerate(points)},
            "vehicles": {
                f"c{i}": {"charge_point": f"p{i}", "usable_kwh": 52.0, "max_amps": amps}
                for i, amps in enumerate(cars)
            },
            "departures": [],
            "bus": {"broker": "embedded"},
            "ledger": {"path": "ledger.sqlite3"},
        }
    )  # fmt: skip


RELAY = {"switching": "on_off", "max_amps": 10.0}
SET: dict[str, Any] = {}


@pytest.mark.parametrize(
    ("points", "load", "expected"),
    [
        ([SET, SET], 0, [31, 31]),
        ([SET, SET], 23, [20, 20]),
        ([SET, SET], 50, [6, 6]),
        ([SET, SET], 52, [11, 0]),
        ([SET, SET], 58, [0, 0]),
        ([SET, RELAY], 23, [30, 10]),
        ([SET, RELAY], 50, [13, 0]),
        ([RELAY, SET], 50, [10, 0]),
        ([RELAY, SET], 55, [0, 8]),
        ([RELAY, RELAY], 50, [10, 0]),
    ],
)
def test_charge_points_share_what_is_left(
    points: list[Mapping[str, Any]], load: float, expected: list[float]
) -> None:
    """They share 63 A less the load; if that is too little for all, the file's first are served."""
    file = several(63.0, points, load, [None] * len(points))
    at = utc("2026-06-01T18:00")
    assert [amps_at(file, f"p{i}", f"c{i}", at) for i in range(len(points))] == expected


@given(
    st.integers(1, 630),
    st.lists(
        st.tuples(
            st.integers(6, 32).map(float),
            st.sampled_from(["current", "on_off"]),
            st.sampled_from([None, 6.0, 16.0]),
        ),
        min_size=1,
        max_size=4,
    ),
)
def test_the_fuse_carries_home_and_charging(
    tenths: int, points: list[tuple[float, str, float | None]]
) -> None:
    """Load and charging are within the fuse together; each current can be set, none is too high."""
    fuse, load = 130.0, 130.0 - tenths / 10
    rows = [{"max_amps": amps, "switching": switching} for amps, switching, _ in points]
    file = several(fuse, rows, load, [car for _, _, car in points])
    at = utc("2026-06-01T18:00")
    names = [(f"p{i}", f"c{i}") for i in range(len(points))]
    got = [amps_at(file, point, car, at) for point, car in names]
    ceilings = [highest_amps(file, point, car) for point, car in names]
    assert load + sum(got) <= fuse + 1e-6
    for amps, ceiling, (_, switching, _) in zip(got, ceilings, points, strict=True):
        settable = amps == ceiling if switching == "on_off" else 6 <= amps <= ceiling
        assert amps == 0 or settable
    quiet = utc("2026-06-01T12:00")
    assert [amps_at(file, point, car, quiet) for point, car in names] == ceilings


def test_months() -> None:
    """An item of winter months is no load in summer."""
    file = loaded({**EVENINGS, "months": [5, 6, 7, 8]})
    days = [date(2026, month, 1 + (month == 8) * 2) for month in (4, 5, 8, 9)]
    evenings = [datetime(day.year, day.month, day.day, 18, tzinfo=UTC) for day in days]
    assert [amps_at(file, POINT, CAR, at) for at in evenings] == [32, 16, 16, 32]


def test_special_days_and_seasons_of_the_household() -> None:
    """20 A on evenings of the summer, but 5 A on the day of a feast, and power at noon."""
    file = DemoHousehold(
        home={
            "special_days": [{"name": "feast", "dates": ["02-06"]}],
            "seasons": [{"name": "summer", "weeks": ["1 to 9"]}],
            "known_load": [
                {"amps": 20.0, "hours": ["17:00-21:00"], "months": ["summer"], "days": EVERY_DAY},
                {"amps": 5.0, "hours": ["17:00-21:00"], "days": ["feast"]},
            ],
        },
        point={"powered": [{"hours": ["12:00-13:00"], "days": ["feast"]}]},
    ).file()
    load = {}
    for text in ("2027-02-05", "2027-02-06", "2027-03-08"):  # the last in week 10
        minute = minute_of(datetime.fromisoformat(f"{text}T18:00").replace(tzinfo=file.zone))
        load[text] = float(home_load(file, minute, minute + 1, "L1")[0])
    assert load == {"2027-02-05": 20.0, "2027-02-06": 5.0, "2027-03-08": 0.0}
    noon = datetime.fromisoformat("2027-02-06T12:30").replace(tzinfo=file.zone)
    assert has_power(file, "driveway", noon)
    assert not has_power(file, "driveway", noon + timedelta(days=1))
