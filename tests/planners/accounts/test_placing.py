"""Energy between two readings is placed where a start was in force, and doubted across rates."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from decimal import Decimal
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from planners.accounts.accounts import account, energy_until
from planners.accounts.placing import Start, placed
from planners.accounts.register import ALLOWANCE, RegisterReading
from planners.rates.prices import RateSpan

NINE = datetime(2026, 6, 3, 9, tzinfo=UTC)
MAX_KW = 7.2
"""120 Wh a minute, and 132 with the allowance."""

CENT = Decimal("0.005")


def at(minutes: float) -> datetime:
    return NINE + timedelta(minutes=minutes)


def read(*pairs: tuple[float, int]) -> list[RegisterReading]:
    return [RegisterReading(at(minutes), wh) for minutes, wh in pairs]


def starts(*pairs: tuple[float, float]) -> list[Start]:
    return [(at(since), at(until)) for since, until in pairs]


def two_rates(dear: str = "0.40") -> list[RateSpan]:
    """Dear until nine, cheap from then on."""
    return [
        RateSpan(at(-600), at(0), Decimal(dear), "dear", "T", estimated=False),
        RateSpan(at(0), at(600), Decimal("0.10"), "cheap", "T", estimated=False),
    ]


def bought(readings: list[RegisterReading], began: list[Start]) -> dict[str, tuple[int, int]]:
    """Wh and estimated Wh by band."""
    found = account(placed(readings, began, MAX_KW), two_rates(), MAX_KW, rounding=CENT)
    return {line.band: (line.wh, line.estimated_wh) for line in found.by_band}


@pytest.mark.parametrize(
    ("readings", "began", "expected"),
    [
        # Commanded from nine on, or until nine: nothing flowed on the other side.
        (read((-5, 0), (5, 600)), starts((0, 30)), {"cheap": (600, 0)}),
        (read((-5, 0), (5, 600)), starts((-30, 0)), {"dear": (600, 0)}),
        # A renewal changes nothing.
        (read((-5, 0), (5, 600)), starts((0, 2), (2, 30)), {"cheap": (600, 0)}),
        # More than could flow since nine: 264 Wh, and the rest before, without a command.
        (read((-8, 0), (2, 300)), starts((0, 30)), {"dear": (36, 0), "cheap": (264, 0)}),
        # No start was in force, and power flows all the same: evenly, as ever; nobody knows when.
        (read((-5, 0), (5, 600)), [], {"dear": (300, 300), "cheap": (300, 300)}),
        # A start all the time, and half of the power: it is not known when it flowed.
        (read((-5, 0), (5, 600)), starts((-30, 30)), {"dear": (300, 300), "cheap": (300, 300)}),
        # Constant power, read every minute: what remains unknown is less than half a cent.
        (
            read((-2.5, 0), (-1.5, 60), (-0.5, 120), (0.5, 180), (1.5, 240)),
            starts((-30, 30)),
            {"dear": (150, 0), "cheap": (90, 0)},
        ),
        # A gap of more than a quarter of an hour is estimated, wherever its energy is placed.
        (read((-20, 0), (5, 600)), starts((0, 30)), {"cheap": (600, 600)}),
    ],
)
def test_commands_show_when_energy_flowed(
    readings: list[RegisterReading], began: list[Start], expected: dict[str, tuple[int, int]]
) -> None:
    """Each band's energy, and how much of it is estimated."""
    assert bought(readings, began) == expected


def test_a_difference_below_rounding_is_no_doubt() -> None:
    """At rates that are nearly the same it does not matter when the energy flowed."""
    found = account(read((-5, 0), (5, 600)), two_rates("0.101"), MAX_KW, rounding=CENT)
    assert found.estimated_wh == 0


def test_a_fall_of_the_register_gets_no_inferred_reading() -> None:
    """After a reset nothing is known of the time before."""
    readings = read((-5, 600), (5, 100))
    assert placed(readings, starts((0, 30)), MAX_KW) == tuple(readings)


def test_starts_of_a_clock_that_was_put_back_count_once() -> None:
    """Overlapping starts in any order."""
    readings = read((-5, 0), (5, 600))
    assert [each.register_wh for each in placed(readings, starts((2, 30), (0, 4)), MAX_KW)] == [
        0, 0, 480, 600,
    ]  # fmt: skip


@st.composite
def charges(draw: st.DrawFn) -> tuple[list[RegisterReading], list[Start]]:
    """Draw what a meter shows of charges that follow their commands, at a constant power."""
    edges = sorted(draw(st.lists(st.integers(-60, 60), min_size=2, max_size=6, unique=True)))
    began = starts(*list(pairwise(edges))[::2])
    wh_a_minute = draw(st.integers(1, 120))

    def flowed(minutes: int) -> int:
        on = sum(
            (max(timedelta(0), min(end, at(minutes)) - start) for start, end in began),
            timedelta(0),
        )
        return round(wh_a_minute * (on / timedelta(minutes=1)))

    read_at = sorted(draw(st.sets(st.integers(-70, 70), min_size=2, max_size=12)))
    return read(*((minutes, flowed(minutes)) for minutes in read_at)), began


@given(charges())
def test_bands_add_up_and_nothing_is_priced_where_nothing_was_commanded(
    charge: tuple[list[RegisterReading], list[Start]],
) -> None:
    """The sum of the bands is the register's rise; a band without a start has no energy."""
    readings, began = charge
    inferred = placed(readings, began, MAX_KW)
    found = account(inferred, two_rates(), MAX_KW, rounding=CENT)
    assert found.energy_wh == readings[-1].register_wh - readings[0].register_wh
    assert [each for each in inferred if each.gap is None] == readings
    assert all(a.at < b.at and a.register_wh <= b.register_wh for a, b in pairwise(inferred))
    most_wh_a_minute = 1000 * MAX_KW * ALLOWANCE / 60
    for a, b in pairwise(inferred):
        minutes = (b.at - a.at) / timedelta(minutes=1)
        assert b.register_wh - a.register_wh <= most_wh_a_minute * minutes + 1
    until = energy_until(inferred, MAX_KW)
    first, last = readings[0].at, readings[-1].at
    off_edges = [first, *(edge for start in began for edge in start), last]
    for ended, begins in list(pairwise(off_edges))[::2]:
        since, to = max(ended, first), min(begins, last)
        assert to <= since or until(to) == until(since)


@pytest.mark.parametrize(
    ("watts", "rise", "expected"),
    [
        # Full power until nine, then nothing: the vehicle was full. 1200 Wh are ten minutes.
        ((7200, 0), 1200, {"dear": (1200, 1200)}),
        # It went on to three minutes past nine, or began only then.
        ((7200, 0), 1560, {"dear": (1200, 1200), "cheap": (360, 360)}),
        ((0, 7200), 1200, {"cheap": (1200, 1200)}),
        # Evenly: the powers are alike, unknown, or can't explain the energy.
        ((7200, 7000), 1200, {"dear": (600, 600), "cheap": (600, 600)}),
        ((7200, None), 1200, {"dear": (600, 600), "cheap": (600, 600)}),
        ((3600, 0), 1600, {"dear": (800, 800), "cheap": (800, 800)}),
    ],
)
@pytest.mark.parametrize("began", [[], [(-60, 60)]])
def test_a_change_of_power_places_energy_at_a_change_of_rate(
    watts: tuple[float, float | None],
    rise: int,
    expected: dict[str, tuple[int, int]],
    began: list[tuple[float, float]],
) -> None:
    """Readings 20 minutes apart around nine, with or without a start: all of it is estimated."""
    readings = [
        RegisterReading(at(-10), 0, watts=watts[0]), RegisterReading(at(10), rise, watts=watts[1]),
    ]  # fmt: skip
    assert bought(readings, starts(*began)) == expected
