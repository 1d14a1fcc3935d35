"""More current than was commanded: which readings show it, and which show that it is over."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pytest

from planners.plan.horizon import Situation, departures_known, horizon_of
from planners.power.allowed_currents import amps_allowed
from planners.power.excess_current import (
    CurrentWatch,
    ExcessCurrent,
    MeasuredCurrent,
    concluded,
    measured_current,
    with_command,
    with_reading,
)
from tests.daemon.worlds import POINT, household

if TYPE_CHECKING:
    from collections.abc import Iterable

T = datetime(2026, 6, 3, 12, tzinfo=UTC)
S = timedelta(seconds=1)


def watched(
    readings: Iterable[tuple[float, float]],
    *,
    told: float = 16.0,
    watch: CurrentWatch | None = None,
    from_power: bool = False,
) -> CurrentWatch:
    """Watch readings of (seconds after the command, amperes), and conclude at each."""
    watch = watch or with_command(CurrentWatch(), T, is_lower=True)
    for seconds, amps in readings:
        at = T + seconds * S
        watch = with_reading(watch, told, MeasuredCurrent(amps, from_power), at)
        watch = concluded(watch, told, at)
    return watch


@pytest.mark.parametrize(
    ("told", "amps", "shown"),
    [
        (16.0, 17.6, False),
        (16.0, 17.7, True),
        (6.0, 7.0, False),  # 1 A is more than 10 %
        (6.0, 7.1, True),
        (32.0, 35.2, False),
        (32.0, 35.3, True),
        (16.0, 32.0, True),
        (16.0, 0.0, False),
    ],
)
def test_too_many_amperes(told: float, amps: float, *, shown: bool) -> None:
    """More than 10 % and 1 A above the command, for 15 s, is an excess; no less is."""
    excess = watched([(10, amps), (25, amps)], told=told).excess
    assert excess == (ExcessCurrent(told, amps) if shown else None)
    assert MeasuredCurrent(amps).exceeds(told) == shown


@pytest.mark.parametrize(("amps", "shown"), [(19.2, False), (19.3, True)])
def test_too_much_power(amps: float, *, shown: bool) -> None:
    """By power alone it is more than 1.2 times the command: 253 V are lawful on 230 V."""
    watch = watched([(10, amps), (25, amps)], from_power=True)
    assert (watch.excess is not None) == shown


@pytest.mark.parametrize(
    "readings",
    [
        [(10, 32.0)],
        [(10, 32.0), (24, 32.0)],
        [(10, 32.0), (20, 16.0), (30, 32.0), (40, 16.0), (50, 32.0)],
        [(10, 16.0), (70, 64.0), (130, 16.0)],
        [(1, 32.0), (6, 24.0), (12, 17.0), (30, 16.0)],
        [(0, 32.0), (9.9, 32.0), (24, 16.0)],
        [(0, 32.0), (9.9, 32.0), (20, 32.0)],
    ],
    ids=["one", "too short", "jumps", "one jump", "ramp down", "lag", "long lag"],
)
def test_what_proves_nothing(readings: list[tuple[float, float]]) -> None:
    """Neither a jump, nor a ramp, nor the seconds in which a vehicle follows, is an excess."""
    assert watched(readings).excess is None


def test_the_seconds_pass_without_a_reading() -> None:
    """Two readings are enough once 15 s have passed, whatever is heard then."""
    assert concluded(watched([(10, 32.0)]), 16.0, T + 60 * S).excess is None
    watch = watched([(10, 32.0), (12, 32.0)])
    assert concluded(watch, 16.0, T + 24 * S).excess is None
    assert concluded(watch, 16.0, T + 25 * S).excess == ExcessCurrent(16.0, 32.0)


def test_a_start_is_judged_from_its_first_reading() -> None:
    """No vehicle takes more than it is told while it begins: 2 s, and a minute later, is enough."""
    watch = with_command(CurrentWatch(), T, is_lower=False)
    assert watched([(-1, 32.0), (2, 32.0)], watch=watch).excess is None
    assert watched([(2, 32.0), (62, 32.0)], watch=watch).excess == ExcessCurrent(16.0, 32.0)


def test_a_new_command_begins_again() -> None:
    """What was right before a lower command does not count against it."""
    watch = with_command(watched([(10, 32.0)]), T + 11 * S, is_lower=True)
    readings = [(12, 32.0), (20, 32.0), (22, 32.0), (26, 32.0), (30, 10.0)]
    watch = watched(readings, told=10.0, watch=watch)
    assert (watch.excess, watch.doubt) == (None, None)


OVER = CurrentWatch(judged_from=T, excess=ExcessCurrent(16.0, 32.0))


@pytest.mark.parametrize(
    ("told", "amps", "excess"),
    [
        (16.0, 16.0, None),
        (16.0, 32.0, OVER.excess),
        (16.0, 33.0, OVER.excess),
        (16.0, 9.0, OVER.excess),  # nearly full: not the equipment limits it
        (32.0, 32.0, OVER.excess),  # told what it takes: this shows nothing
        (16.0, 40.0, ExcessCurrent(16.0, 40.0)),
        (16.0, 0.0, OVER.excess),
    ],
)
def test_what_ends_an_excess(told: float, amps: float, excess: ExcessCurrent | None) -> None:
    """A current that is kept to, clearly below what was taken; more still is news as well."""
    assert watched([(10, amps), (25, amps)], told=told, watch=OVER).excess == excess


def test_the_most_that_was_taken_counts() -> None:
    """A current that still rises is not taken for its first value."""
    assert watched([(10, 20.0), (25, 32.0)]).excess == ExcessCurrent(16.0, 32.0)


def test_readings_that_contradict_each_other_prove_nothing() -> None:
    """One that obeys and one that takes more still are no two readings in a row."""
    assert watched([(10, 16.0), (25, 48.0)], watch=OVER).excess == OVER.excess


def test_where_it_may_charge() -> None:
    """Equipment that takes 32 A may charge where 32 A are allowed, and nowhere else."""
    house = household(
        household={
            "main_fuse_amps": 40.0,
            "known_load": [{"amps": 20.0, "hours": ["17:00-21:00"]}],
        }
    )
    start = datetime(2026, 6, 3, 4, tzinfo=UTC)  # 16:00 at Kowhai Cottage
    spans = amps_allowed(house.file, POINT, "hatchback", start, start + timedelta(hours=6))
    assert [span.amps for span in spans] == [32.0, 20.0, 32.0]
    for excess, amps in (
        (ExcessCurrent(16.0, 32.0), [32.0, 0.0, 32.0]),
        (ExcessCurrent(10.0, 16.0), [16.0]),
        (ExcessCurrent(32.0, 48.0), [0.0]),
    ):
        found = amps_allowed(
            house.file, POINT, "hatchback", start, start + timedelta(hours=6), excess=excess
        )
        assert [span.amps for span in found] == amps


THREE = {"phases": 3}


@pytest.mark.parametrize(
    ("vehicle", "amps", "watts", "expected"),
    [
        (THREE, 16.0, 11040.0, MeasuredCurrent(16.0)),
        (THREE, 48.0, 11040.0, MeasuredCurrent(16.0)),  # the sum of its phases
        (THREE, 48.0, None, MeasuredCurrent(48.0)),  # perhaps, but nothing shows it
        ({"phases": 1}, 32.0, 7360.0, MeasuredCurrent(32.0)),
        (THREE, None, 11040.0, MeasuredCurrent(16.0, from_power=True)),
        ({"phases": 1}, None, 7360.0, MeasuredCurrent(32.0, from_power=True)),
        ({}, None, 11040.0, MeasuredCurrent(16.0, from_power=True)),  # it may have three phases
        (THREE, None, None, None),
    ],
)
def test_the_current_of_one_phase(
    vehicle: dict[str, int],
    amps: float | None,
    watts: float | None,
    expected: MeasuredCurrent | None,
) -> None:
    """Amperes count as they are, unless the power shows that they are a sum of all phases."""
    file = household(point=THREE, vehicle=vehicle).file
    assert measured_current(file, POINT, amps, watts) == expected


def test_a_sum_is_divided_only_if_every_vehicle_has_several_phases() -> None:
    """One that charges on one phase may really take 48 A on it."""
    van = {"charge_point": POINT, "usable_kwh": 60.0, "phases": 1}
    file = household(point=THREE, vehicle=THREE, more_vehicles={"van": van}).file
    assert measured_current(file, POINT, 48.0, 11040.0) == MeasuredCurrent(48.0)
    powered = measured_current(file, POINT, None, 11040.0)
    assert powered == MeasuredCurrent(16.0, from_power=True)


def test_only_what_is_taken_is_planned() -> None:
    """The planner may not choose a current that the equipment does not keep to."""
    house = household()
    (departure,) = departures_known(house.file, house.prices, "hatchback", T, 1)
    situation = Situation(T, 35.0, departure, excess=ExcessCurrent(10.0, 20.0))
    horizon = horizon_of(house.file, house.prices, situation)
    assert horizon.problem.min_amps is None
    assert set(horizon.problem.highest_amps) == {horizon.model.amps} == {20.0}
