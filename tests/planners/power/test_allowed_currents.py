"""The currents a household file allows."""

from __future__ import annotations

import pytest

from planners.power.allowed_currents import charge_model, highest_amps
from tests.planners.planned import DemoHousehold


@pytest.mark.parametrize(
    ("point", "vehicle", "fuse", "amps"),
    [
        (32.0, None, None, 32),
        (32.0, 16.0, None, 16),
        (16.0, 32.0, 63.0, 16),
        (32.0, 32.0, 25.0, 25),
    ],
)
def test_the_lowest_limit_holds(
    point: float, vehicle: float | None, fuse: float | None, amps: float
) -> None:
    """No plan draws more than the charge point, the vehicle and the main fuse all allow."""
    file = DemoHousehold(
        {"main_fuse_amps": fuse}, point={"max_amps": point}, car={"max_amps": vehicle}
    )
    assert highest_amps(file.file(), "driveway", "hatchback") == amps
    assert charge_model(file.file(), "hatchback").amps == amps


@pytest.mark.parametrize(("point", "vehicle", "both"), [(1, 3, 1), (3, 1, 1), (3, 2, 2), (3, 3, 3)])
def test_only_phases_that_both_have_carry_current(point: int, vehicle: int, both: int) -> None:
    """A one-phase vehicle at a three-phase charge point charges on one phase, and vice versa."""
    file = DemoHousehold(point={"phases": point}, car={"phases": vehicle}).file()
    assert charge_model(file, "hatchback").phases == both


def test_the_model_takes_the_file_at_its_word() -> None:
    """Percent and watts of the file become the shares and kilowatts of the model."""
    file = DemoHousehold(
        {"nominal_volts": 240.0},
        car={
            "charging_efficiency_percent": 88.0,
            "standby_watts": 250.0,
            "taper": ((80.0, 100.0), (100.0, 25.0)),
        },
    ).file()
    model = charge_model(file, "hatchback")
    assert model.volts == 240
    assert model.usable_kwh == 52
    assert model.efficiency == pytest.approx(0.88)
    assert model.standby_kw == pytest.approx(0.25)
    assert list(model.taper) == [(80, 100), (100, 25)]
    assert model.full_kw == pytest.approx(7.68)


def test_a_current_to_ask_about_replaces_the_allowed_one() -> None:
    """The model of a 40 A charge can be made, whatever the file allows."""
    assert charge_model(DemoHousehold().file(), "hatchback", amps=40).amps == 40
