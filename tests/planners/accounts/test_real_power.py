"""The voltage at which a vehicle really charged, from readings that are rounded."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from planners.accounts.real_power import at_real_voltage, step_of
from planners.accounts.register import RegisterReading
from planners.accounts.same_energy import NightSlot, night_slots
from planners.power.allowed_currents import AmpsSpan
from planners.power.charging import ChargeModel
from tests.planners.accounts.test_same_energy import TWO_BANDS, at

MODEL = ChargeModel(32.0, 1, 230.0, 60.0, 1.0)


def slots_at(kw: float, step_wh: int = 1) -> tuple[NightSlot, ...]:
    """Charge from minute 33 to minute 147, read every five minutes."""

    def metered(instant: datetime) -> int:
        hours = (min(max(instant, at(33)), at(147)) - at(33)) / timedelta(hours=1)
        return int(1000 * kw * hours / step_wh + 0.5) * step_wh

    read_at = [at(5 * count) for count in range(37)]
    allowed = [AmpsSpan(at(0), at(180), 32.0)]
    return night_slots(TWO_BANDS, allowed, (at(0), at(180)), read_at, metered)


@pytest.mark.parametrize("step_wh", [1, 10, 100])
def test_power_that_is_nominal_but_for_rounding_is_nominal(step_wh: int) -> None:
    assert at_real_voltage(MODEL, slots_at(7.36, step_wh), step_wh) is MODEL


@pytest.mark.parametrize("volts", [216.0, 224.8, 236.3, 250.0])
def test_the_voltage_is_that_of_the_time_with_the_highest_power(volts: float) -> None:
    """The first and the last five minutes are on in part; the rest shows the power to 1 Wh."""
    model = at_real_voltage(MODEL, slots_at(0.032 * volts), 1)
    assert model.volts == pytest.approx(volts, rel=2e-4)
    assert replace(model, volts=230.0) == MODEL


def test_half_the_power_is_no_voltage() -> None:
    """A lower current was told, or the vehicle takes less."""
    assert at_real_voltage(MODEL, slots_at(3.68), 1) is MODEL


def test_a_vehicle_that_tapers_keeps_its_nominal_voltage() -> None:
    model = replace(MODEL, taper=((80.0, 100.0), (100.0, 20.0)))
    assert at_real_voltage(model, slots_at(7.0), 1) is model


def test_nothing_metered_says_nothing() -> None:
    assert at_real_voltage(MODEL, slots_at(0.0), 1) is MODEL


def test_the_last_digit_of_a_register_is_what_all_its_rises_are_multiples_of() -> None:
    now = datetime(2026, 6, 3, tzinfo=UTC)
    tens = [RegisterReading(now, 1_000_003 + rise) for rise in (0, 0, 20, 50)]
    assert step_of(tens) == 10
    assert step_of([*tens, RegisterReading(now, 1_000_054)]) == 1
    assert step_of(tens[:2]) == 100
