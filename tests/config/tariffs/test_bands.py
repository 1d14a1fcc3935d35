"""The calendar of bands holds each band where the tariff says, and finds every overlap and gap."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.calendar.day_kinds import DAY_KINDS, DayKind
from config.fields.value_types import Hours
from config.tariffs.bands import band_table, clashes, names_holidays
from config.tariffs.tariff import Tariff


def tariff(*bands: dict[str, Any]) -> Tariff:
    named = [{"name": f"band {i}", "rate": 1, **band} for i, band in enumerate(bands)]
    return Tariff.model_validate({"name": "t", "bands": named})


THREE_BANDS = tariff(
    {"hours": ["21:00-07:00"]},
    {"hours": ["07:00-11:00", "17:00-21:00"], "days": ["mon", "tue", "wed", "thu", "fri"]},
    {},
)


@pytest.mark.parametrize(
    ("day", "clock", "band"),
    [
        ("mon", (6, 59), 0),
        ("mon", (7, 0), 1),
        ("mon", (10, 59), 1),
        ("mon", (11, 0), 2),
        ("fri", (20, 59), 1),
        ("fri", (21, 0), 0),
        ("sat", (0, 0), 0),
        ("sat", (7, 0), 2),
        ("sun", (23, 59), 0),
    ],
)
def test_three_bands(day: DayKind, clock: tuple[int, int], band: int) -> None:
    """An interval holds its start and not its end; no hours means every other hour."""
    minute = clock[0] * 60 + clock[1]
    rows = [month[DAY_KINDS.index(day)][minute] for month in band_table(THREE_BANDS)]
    assert rows == [band] * 12


def test_days_are_those_of_the_instant() -> None:
    """Design section 3: `days: [fri]` with 21:00-07:00 covers Friday 00-07 and Friday 21-24."""
    table = band_table(tariff({"hours": ["21:00-07:00"], "days": ["fri"]}, {}))
    covered = np.argwhere(table[0] == 0)
    assert set(covered[:, 0]) == {DAY_KINDS.index("fri")}
    assert covered[:, 1].tolist() == [*range(7 * 60), *range(21 * 60, 24 * 60)]


def test_months() -> None:
    """A band with months holds in those only."""
    table = band_table(tariff({"hours": ["00:00-24:00"], "months": [6, 12]}, {}))
    assert table[:, 0, 0].tolist() == [1, 1, 1, 1, 1, 0, 1, 1, 1, 1, 1, 0]


def test_holidays() -> None:
    """Once any band names holidays, a holiday is a separate kind of day and no weekday."""
    with_holidays = tariff({"hours": ["00:00-24:00"], "days": ["sun", "holiday"]}, {})
    assert names_holidays(with_holidays)
    assert not names_holidays(THREE_BANDS)
    assert band_table(with_holidays)[0, :, 720].tolist() == [1, 1, 1, 1, 1, 1, 0, 0]


def test_table_is_shared_and_can_not_be_changed() -> None:
    """The table is made once for equal tariffs, so nobody may write to it."""
    assert band_table(THREE_BANDS) is band_table(THREE_BANDS)
    with pytest.raises(ValueError, match="read-only"):
        band_table(THREE_BANDS)[0, 0, 0] = 1


def test_no_clashes() -> None:
    """A tariff that covers every hour once has none, and a price series neither."""
    series = Tariff.model_validate({"name": "t", "prices": {"file": "p.csv", "step_minutes": 30}})
    assert clashes(THREE_BANDS) == ()
    assert clashes(series) == ()


def test_every_overlap_is_found() -> None:
    """Each pair that overlaps is listed with its first instant in 2028; touching is no overlap."""
    found = clashes(
        tariff(
            {"hours": ["00:00-12:00"]},
            {"hours": ["12:00-24:00"]},
            {"hours": ["11:00-13:00"], "days": ["wed"], "months": [2]},
        )
    )
    assert [(clash.bands, clash.example) for clash in found] == [
        ((0, 2), "Wednesday 2028-02-02 at 11:00"),
        ((1, 2), "Wednesday 2028-02-02 at 12:00"),
    ]


def test_leap_day() -> None:
    """29 February is covered like any day of its month; the example year has it."""
    (gap,) = clashes(tariff({"hours": ["00:00-24:00"], "months": [1, *range(3, 13)]}))
    assert (gap.bands, gap.example) == ((), "Tuesday 2028-02-01 at 00:00")


hours = st.builds(Hours, start_minute=st.integers(0, 1439), end_minute=st.integers(0, 1440))
some_bands = st.lists(
    st.fixed_dictionaries(
        {"hours": st.lists(hours, min_size=1, max_size=2)},
        optional={
            "days": st.lists(st.sampled_from(DAY_KINDS), min_size=1, unique=True),
            "months": st.lists(st.integers(1, 12), min_size=1, unique=True),
        },
    ),
    min_size=1,
    max_size=3,
)


@given(some_bands, st.dates(date(2028, 1, 1), date(2028, 12, 31)), st.integers(0, 1439))
def test_clashes_agree_with_the_words(bands: list[dict[str, Any]], day: date, minute: int) -> None:
    """An overlap is listed for any instant with two bands, and a gap for any without one."""
    made = tariff(*bands)
    kind = DAY_KINDS[day.weekday()]
    here = [
        index
        for index, band in enumerate(bands)
        if kind in band.get("days", DAY_KINDS)
        and day.month in band.get("months", range(1, 13))
        and any(each.contains(minute) for each in band["hours"])
    ]
    listed = {clash.bands for clash in clashes(made)}
    assert (
        () in listed if not here else band_table(made)[day.month - 1, day.weekday(), minute] in here
    )
    assert len(here) < 2 or tuple(here[:2]) in listed


@given(hours)
def test_hours_as_text(made: Hours) -> None:
    """Hours print as they are written, and are read back as the same."""
    made_again = tariff({"hours": [str(made)]}).bands
    assert made_again is not None
    assert made_again[0].hours == (made,)


def test_example_is_the_first_day() -> None:
    """The example is the first instant of its year in the clash."""
    (gap,) = clashes(
        tariff({"hours": ["00:00-23:00"], "days": ["thu"]}, {"hours": ["23:00-24:00"]})
    )
    first = next(
        day for n in range(7) if (day := date(2028, 1, 1) + timedelta(days=n)).weekday() != 3
    )
    assert gap.example == f"Saturday {first} at 00:00"
