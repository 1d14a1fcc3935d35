"""Accounts: energy from registers to bands, by examples and against a second accountant."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from fractions import Fraction
from itertools import pairwise
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from planners.accounts.accounts import Account, BandEnergy, account
from planners.accounts.register import RegisterReading
from planners.rates.prices import RateSpan

if TYPE_CHECKING:
    from collections.abc import Sequence

START = datetime(2026, 6, 3, 6, 0, tzinfo=UTC)
NIGHT = Decimal("0.1932")
DAY = Decimal("0.35075")


def at(minutes: float) -> datetime:
    return START + timedelta(minutes=minutes)


def reading(minutes: float, register_wh: int) -> RegisterReading:
    return RegisterReading(at(minutes), register_wh)


def span(start: float, end: float, rate: Decimal = NIGHT, band: str = "night") -> RateSpan:
    return RateSpan(at(start), at(end), rate, band, "Two-band", estimated=False)


def every_minute(count: int, step_wh: int, first_wh: int = 1_000) -> list[RegisterReading]:
    return [reading(minute, first_wh + minute * step_wh) for minute in range(count + 1)]


def test_energy_in_one_band_is_the_register_difference_times_the_rate() -> None:
    """One hour at 6 kW in one band is 6 kWh at its rate, unrounded, and none of it estimated."""
    result = account(every_minute(60, 100), [span(0, 60)], max_kw=7.36)
    assert result == Account(
        by_band=(BandEnergy("night", NIGHT, 6_000, Decimal("1.1592"), 0),),
        energy_wh=6_000,
        cost=Decimal("1.1592"),
        estimated_wh=0,
        all_grid_cost=Decimal("1.1592"),
    )


def test_energy_is_split_at_a_band_edge_by_interpolating_the_register() -> None:
    """Ten minutes and 1,000 Wh of which four minutes lie before the edge: 400 and 600 Wh."""
    spans = [span(0, 4, DAY, "day"), span(4, 60)]
    result = account([reading(0, 0), reading(10, 1_000)], spans, max_kw=7.36)
    assert [(part.band, part.wh) for part in result.by_band] == [("day", 400), ("night", 600)]
    assert result.cost == Decimal("0.4") * DAY + Decimal("0.6") * NIGHT


def test_a_band_that_comes_back_is_one_line() -> None:
    """Lines are merged by band and rate, in the order in which each was first used."""
    spans = [span(0, 10, DAY, "day"), span(10, 20), span(20, 30, DAY, "day")]
    result = account(every_minute(30, 100), spans, max_kw=7.36)
    assert [(part.band, part.wh) for part in result.by_band] == [("day", 2_000), ("night", 1_000)]


def test_one_band_at_two_rates_is_two_lines() -> None:
    """A new rate of the same band keeps its own line: a bill lists them apart."""
    spans = [span(0, 10, Decimal("0.10")), span(10, 20, Decimal("0.20"))]
    result = account(every_minute(20, 100), spans, max_kw=7.36)
    assert [(part.rate, part.wh) for part in result.by_band] == [
        (Decimal("0.10"), 1_000),
        (Decimal("0.20"), 1_000),
    ]


def test_a_band_without_energy_has_no_line() -> None:
    """Only bands in which energy flowed are listed."""
    readings = [reading(0, 5), reading(10, 5), reading(20, 905)]
    result = account(readings, [span(0, 10, DAY, "day"), span(10, 20)], max_kw=7.36)
    assert [part.band for part in result.by_band] == ["night"]


def test_rounding_at_edges_loses_nothing() -> None:
    """Seven Wh over three equal spans are whole Wh that still add up to seven."""
    spans = [span(0, 1, DAY, "day"), span(1, 2), span(2, 3, Decimal(1), "peak")]
    result = account([reading(0, 0), reading(3, 7)], spans, max_kw=7.36)
    assert [part.wh for part in result.by_band] == [2, 3, 2]
    assert result.energy_wh == 7


def test_energy_outside_the_spans_is_left_out() -> None:
    """Readings before and after the night only serve to interpolate at its edges."""
    result = account(every_minute(30, 100), [span(10, 20)], max_kw=7.36)
    assert result.energy_wh == 1_000


@pytest.mark.parametrize("readings", [[], [reading(5, 700)]])
def test_fewer_than_two_readings_account_for_nothing(readings: list[RegisterReading]) -> None:
    """One register value says nothing of the energy of a night."""
    assert account(readings, [span(0, 60)], max_kw=7.36) == Account((), 0, Decimal(0), 0)


def test_no_spans_account_for_nothing() -> None:
    """Without a time to account for there is no energy and no cost."""
    assert account(every_minute(5, 100), [], max_kw=7.36) == Account((), 0, Decimal(0), 0)


@pytest.mark.parametrize(("minutes", "estimated_wh"), [(15, 0), (15.01, 900)])
def test_a_gap_longer_than_fifteen_minutes_is_estimated(minutes: float, estimated_wh: int) -> None:
    """Design, section 7: a gap longer than 15 minutes is marked estimated, all of its energy."""
    result = account([reading(0, 0), reading(minutes, 900)], [span(0, 60)], max_kw=7.36)
    assert (result.energy_wh, result.estimated_wh) == (900, estimated_wh)


def test_the_gap_that_counts_as_estimated_can_be_set() -> None:
    """A meter that reports every half hour is not estimated all night."""
    readings = [reading(0, 0), reading(30, 900)]
    assert account(readings, [span(0, 60)], max_kw=7.36, gap_minutes=30).estimated_wh == 0


def test_estimated_energy_is_told_apart_by_band() -> None:
    """The part of a gap's energy that falls in each band is that band's estimated energy."""
    readings = [*every_minute(10, 100, 0), reading(40, 4_000)]
    result = account(readings, [span(0, 20, DAY, "day"), span(20, 60)], max_kw=7.36)
    assert [(part.wh, part.estimated_wh) for part in result.by_band] == [
        (2_000, 1_000),
        (2_000, 2_000),
    ]
    assert result.estimated_wh == 3_000


def test_a_gap_without_energy_is_not_estimated() -> None:
    """A night of silence at one register value is nothing, and certain."""
    result = account([reading(0, 42), reading(600, 42)], [span(0, 600)], max_kw=7.36)
    assert (result.energy_wh, result.estimated_wh) == (0, 0)


def test_a_register_that_starts_again_counts_what_it_shows() -> None:
    """After a reset the new value is the energy since, marked estimated, and counting goes on."""
    readings = [reading(0, 900_000), reading(10, 600), reading(20, 1_600)]
    result = account(readings, [span(0, 60)], max_kw=7.36)
    assert (result.energy_wh, result.estimated_wh) == (1_600, 600)


def test_a_register_that_starts_again_elsewhere_counts_nothing() -> None:
    """A replaced meter that shows more than could have flowed adds nothing until it counts."""
    readings = [reading(0, 900_000), reading(10, 50_000), reading(20, 51_000)]
    result = account(readings, [span(0, 60)], max_kw=7.36)
    assert (result.energy_wh, result.estimated_wh) == (1_000, 0)


@pytest.mark.parametrize(("shown_wh", "counted_wh"), [(6_600, 6_600), (6_601, 0)])
def test_a_reset_is_believed_up_to_a_tenth_above_the_highest_power(
    shown_wh: int, counted_wh: int
) -> None:
    """One hour at 6 kW could show 6,000 Wh; a tenth more is allowed for voltage and clocks."""
    readings = [reading(0, 900_000), reading(60, shown_wh)]
    assert account(readings, [span(0, 60)], max_kw=6).energy_wh == counted_wh


@pytest.mark.parametrize(
    ("last_wh", "shown_wh", "counted_wh"),
    [
        (1_001_670, 1_000_000, 0),  # an older total, restored
        (1_001_670, 1_001_600, 0),  # or its last digit
        (1_001_670, 500_836, 0),
        (1_001_670, 500_835, 500_835),  # half of it: a reset, and what flowed since
        (1_001_670, 40_000, 40_000),
    ],
)
def test_an_older_total_after_a_long_gap_is_not_energy(
    last_wh: int, shown_wh: int, counted_wh: int
) -> None:
    """A week at 7.36 kW could deliver all that it shows; only a deep fall is a reset."""
    week = 7 * 24 * 60
    readings = [reading(0, last_wh), reading(week, shown_wh)]
    result = account(readings, [span(0, week)], max_kw=7.36)
    assert result.energy_wh == counted_wh


def test_a_register_that_comes_back_from_a_false_zero_adds_only_what_flowed() -> None:
    """A meter that says 0 while it starts and then its true value has not delivered the lot."""
    readings = [reading(0, 900_000), reading(1, 0), reading(2, 900_150), reading(3, 900_250)]
    result = account(readings, [span(0, 60)], max_kw=7.36)
    assert (result.energy_wh, result.estimated_wh) == (250, 150)


def test_a_false_zero_while_nothing_flows_counts_nothing() -> None:
    """A register that goes to 0 and back to where it was has not delivered all that it shows."""
    readings = [reading(0, 1_000_000), reading(1, 0), reading(2, 1_000_000)]
    assert account(readings, [span(0, 60)], max_kw=7.36).energy_wh == 0


def test_what_was_counted_after_a_false_zero_is_not_counted_twice() -> None:
    """Energy shown between the false reset and the return is part of what the register rose."""
    readings = [reading(0, 900_000), reading(1, 0), reading(2, 100), reading(3, 900_300)]
    assert account(readings, [span(0, 60)], max_kw=7.36).energy_wh == 300


@pytest.mark.parametrize(("slip_wh", "counted_wh"), [(3, 200), (100, 200), (101, 402)])
def test_a_register_that_slips_back_counts_nothing_twice(slip_wh: int, counted_wh: int) -> None:
    """A last digit that goes to and fro adds nothing; after a deeper fall it counts from there."""
    low = 900_100 - slip_wh
    shown = [900_000, 900_100, low, 900_100, low, 900_100, 900_200]
    readings = [reading(5 * i, wh) for i, wh in enumerate(shown)]
    assert account(readings, [span(0, 60)], max_kw=7.36).energy_wh == counted_wh


def test_two_readings_at_one_instant_keep_their_energy() -> None:
    """Energy between readings of one instant belongs to the span that ends there."""
    readings = [reading(0, 0), reading(10, 500), reading(10, 600), reading(20, 600)]
    result = account(readings, [span(0, 10, DAY, "day"), span(10, 20)], max_kw=7.36)
    assert [(part.band, part.wh) for part in result.by_band] == [("day", 600)]


def test_a_negative_rate_lowers_the_cost() -> None:
    """Energy at a rate below zero is paid for by the supplier."""
    result = account(every_minute(60, 100), [span(0, 60, Decimal("-0.05"))], max_kw=7.36)
    assert result.cost == Decimal("-0.3")


def test_readings_out_of_order_are_refused() -> None:
    """An account over unsorted readings would see resets that never were."""
    with pytest.raises(ValueError, match="readings must be in order of time"):
        account([reading(5, 10), reading(0, 0)], [span(0, 60)], max_kw=7.36)


def test_spans_with_a_hole_are_refused() -> None:
    """Energy in a hole between spans would vanish from the account."""
    with pytest.raises(ValueError, match="spans must be contiguous"):
        account([reading(0, 0)], [span(0, 10), span(11, 20)], max_kw=7.36)


# --- a second accountant ---------------------------------------------------------------------


@dataclass(frozen=True)
class Flow:
    """What one pair of neighbouring readings stands for."""

    start: datetime
    end: datetime
    wh: int
    estimated: bool

    def until(self, instant: datetime) -> int:
        """Wh up to an instant, to the nearest whole one."""
        if instant >= self.end:
            return self.wh
        if instant <= self.start:
            return 0
        share = Fraction(micros(self.start, instant), micros(self.start, self.end))
        return int(self.wh * share + Fraction(1, 2))

    def inside(self, piece: RateSpan) -> int:
        """Wh in one span."""
        if self.start < self.end:
            return self.until(piece.end) - self.until(piece.start)
        return self.wh if piece.start < self.start <= piece.end else 0


def micros(start: datetime, end: datetime) -> int:
    return (end - start) // timedelta(microseconds=1)


def most_wh(a: RegisterReading, b: RegisterReading, max_kw: float) -> Fraction:
    """Tell what the power could deliver, and a tenth."""
    return round(max_kw * 1_100) * Fraction(micros(a.at, b.at), 3_600_000_000)


def is_reset(a: RegisterReading, b: RegisterReading, max_kw: float) -> bool:
    """Tell whether a register fell to half its value at most, and could show what flowed since."""
    return b.register_wh <= min(Fraction(a.register_wh, 2), most_wh(a, b, max_kw))


def unslipped(readings: Sequence[RegisterReading], max_kw: float) -> list[RegisterReading]:
    """Put a register that fell by 0.1 kWh at most, and can't have begun again, where it was."""
    shown = list(readings)
    for i in range(1, len(shown)):
        a, b = shown[i - 1], shown[i]
        slips = a.register_wh - 100 <= b.register_wh < a.register_wh
        if slips and not is_reset(a, b, max_kw):
            shown[i] = RegisterReading(b.at, a.register_wh)
    return shown


def flows(readings: Sequence[RegisterReading], max_kw: float) -> list[Flow]:
    """Energy between neighbours, straight from the rules, one pair at a time."""
    found: list[Flow] = []
    readings = unslipped(readings, max_kw)
    fallen: dict[int, RegisterReading] = {}  # by how many flows came before the fall
    for i in range(1, len(readings)):
        a, b = readings[i - 1], readings[i]
        rise = b.register_wh - a.register_wh
        wh, estimated = rise, b.at - a.at > timedelta(minutes=15)
        if rise < 0:
            fallen[i - 1] = a
            wh = b.register_wh if is_reset(a, b, max_kw) else 0
            estimated = True
        elif rise > most_wh(a, b, max_kw):
            returns = [
                place
                for place, last in fallen.items()
                if 0 <= b.register_wh - last.register_wh <= most_wh(last, b, max_kw)
            ]
            if returns:
                first = min(returns)
                since = sum(flow.wh for flow in found[first:])
                wh = max(0, b.register_wh - fallen[first].register_wh - since)
                estimated = True
                fallen = {}
        found.append(Flow(a.at, b.at, wh, estimated))
    return found


def simple_account(
    readings: Sequence[RegisterReading], spans: Sequence[RateSpan], max_kw: float
) -> dict[tuple[str, Decimal], tuple[int, int]]:
    """Wh and estimated Wh by band and rate: every flow is cut at every span edge."""
    total: dict[tuple[str, Decimal], tuple[int, int]] = {}
    for flow in flows(readings, max_kw):
        for piece in spans:
            wh = flow.inside(piece)
            if wh:
                key = (piece.band, piece.rate)
                before = total.get(key, (0, 0))
                total[key] = (before[0] + wh, before[1] + (wh if flow.estimated else 0))
    return total


@st.composite
def nights(draw: st.DrawFn) -> tuple[list[RegisterReading], list[RateSpan]]:
    """Draw readings with gaps, resets, false zeros and doubles, and spans around them."""
    minute = draw(st.integers(-30, 30))
    register = draw(st.integers(0, 2_000_000))
    readings = [reading(minute, register)]
    steps = st.tuples(
        st.sampled_from([0, 1, 1, 5, 10, 15, 16, 64]),
        st.sampled_from(["flow", "flow", "flow", "rest", "reset", "zero", "odd", "slip"]),
        st.integers(0, 400),
    )
    for minutes, what, wh in draw(st.lists(steps, max_size=25)):
        minute += minutes
        shown = {"flow": register + wh, "rest": register, "reset": wh, "zero": 0, "odd": 77 * wh}
        shown["slip"] = max(0, register - wh // 3)
        readings.append(reading(minute, shown[what]))
        register = register if what in {"zero", "slip"} else shown[what]
    edges = sorted(draw(st.sets(st.integers(-40, 300), min_size=2, max_size=8)))
    bands = draw(st.lists(st.sampled_from("ab"), min_size=len(edges), max_size=len(edges)))
    spans = [
        span(start, end, NIGHT if band == "a" else DAY, band)
        for (start, end), band in zip(pairwise(edges), bands, strict=False)
    ]
    return readings, spans


@given(nights())
def test_a_second_accountant_comes_to_the_same(
    night: tuple[list[RegisterReading], list[RateSpan]],
) -> None:
    """Two accountants that share no code agree on every line, to the Wh and the last digit."""
    readings, spans = night
    result = account(readings, spans, max_kw=7.36)
    expected = simple_account(readings, spans, max_kw=7.36)
    lines = {(part.band, part.rate): (part.wh, part.estimated_wh) for part in result.by_band}
    assert lines == expected
    assert result.energy_wh == sum(wh for wh, _ in expected.values())
    assert result.cost == sum(rate * wh / 1000 for (_, rate), (wh, _) in expected.items())


@given(
    st.lists(st.tuples(st.integers(0, 40), st.integers(0, 900)), min_size=1, max_size=30),
    st.lists(st.integers(0, 500), max_size=6),
)
def test_energy_is_conserved(steps: list[tuple[int, int]], inner: list[int]) -> None:
    """Whatever the bands, a register that never falls is accounted to its exact difference."""
    readings = [reading(0, 0)]
    minute = 0
    for minutes, wh in steps:
        minute += minutes
        readings.append(reading(minute, readings[-1].register_wh + wh))
    edges = sorted({-1, minute + 1, *(edge for edge in inner if edge < minute)})
    spans = [
        span(start, end, Decimal(place), f"band {place}")
        for place, (start, end) in enumerate(pairwise(edges))
    ]
    result = account(readings, spans, max_kw=7.36)
    assert sum(part.wh for part in result.by_band) == readings[-1].register_wh
    assert all(0 <= part.estimated_wh <= part.wh for part in result.by_band)
