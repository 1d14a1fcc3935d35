"""The simulated charge point and vehicle obey the same laws as real ones."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from typing import Any, Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.contract.messages import Command
from adapters.simulated.charge_point import SimulatedChargePoint, SimulatedVehicle

START = datetime(2026, 6, 3, 6, 30, tzinfo=UTC)
HOUR = timedelta(hours=1)
MINUTE = timedelta(minutes=1)


def command(
    serial: int,
    do: Literal["start", "stop"] = "start",
    amps: float | None = 32.0,
    lasts: timedelta = 48 * HOUR,
) -> Command:
    """Make a command that expires some time after `START`."""
    return Command(
        serial=serial,
        do=do,
        amps=amps if do == "start" else None,
        valid_until=START + lasts,
        why="a test",
    )


def charging(
    vehicle: SimulatedVehicle, amps: float = 32.0, *, phases: int = 1, register_wh: int = 0
) -> SimulatedChargePoint:
    """Return a charge point that is starting to charge a vehicle."""
    outlet = SimulatedChargePoint(START, phases=phases, register_wh=register_wh)
    outlet.plug_in(vehicle, START)
    outlet.obey(command(1, amps=amps), START)
    return outlet


# Energy


def test_sixty_kwh_takes_the_published_time() -> None:
    """60 kWh from 20 to 80 percent at 0.9 take 40 kWh, 5.4348 h at 7.36 kW (by arithmetic)."""
    vehicle = SimulatedVehicle(60, 20)
    outlet = charging(vehicle)
    outlet.advance(START + timedelta(hours=40 / 7.36))
    assert vehicle.soc_percent == pytest.approx(80, abs=1e-6)
    assert outlet.register_kwh == pytest.approx(40, abs=0.001)


@pytest.mark.parametrize(
    ("amps", "phases", "kw"),
    [
        (6, 1, 1.38),
        (8, 1, 1.84),
        (10, 1, 2.3),
        (13, 1, 2.99),
        (16, 1, 3.68),
        (32, 1, 7.36),
        (16, 3, 11.04),
        (32, 3, 22.08),
    ],
)
def test_power_is_phases_times_volts_times_amps(amps: float, phases: int, kw: float) -> None:
    """The usual powers at 230 V line to neutral (by arithmetic)."""
    outlet = charging(SimulatedVehicle(52, 20, phases=phases), amps, phases=phases)
    assert outlet.watts() == pytest.approx(kw * 1000)
    outlet.advance(START + HOUR)
    assert outlet.register_kwh == pytest.approx(kw, abs=0.001)


def test_a_vehicle_uses_the_phases_that_both_have() -> None:
    """A one-phase vehicle at a three-phase outlet draws on one phase."""
    assert charging(SimulatedVehicle(52, 20, phases=1), 16, phases=3).watts() == 230 * 16
    assert charging(SimulatedVehicle(52, 20, phases=3), 16, phases=1).watts() == 230 * 16


@given(
    usable_kwh=st.floats(5, 120),
    soc_percent=st.floats(0, 100),
    efficiency=st.floats(0.5, 1),
    standby_watts=st.floats(0, 3000),
    end_share=st.floats(10, 100),
    amps=st.floats(6, 32),
    minutes=st.lists(st.integers(0, 90), max_size=5),
)
def test_energy_is_conserved(
    *,
    usable_kwh: float,
    soc_percent: float,
    efficiency: float,
    standby_watts: float,
    end_share: float,
    amps: float,
    minutes: list[int],
) -> None:
    """Metered energy is what the battery gains plus the losses, and none is negative."""
    taper = ((80.0, 100.0), (100.0, end_share))
    vehicle = SimulatedVehicle(usable_kwh, soc_percent, efficiency, standby_watts, taper)
    outlet = charging(vehicle, amps, register_wh=5000)
    before = vehicle.soc_percent
    for each in minutes:
        register = outlet.register_kwh
        outlet.advance(outlet.now + each * MINUTE)
        assert outlet.register_kwh >= register
    gained_kwh = usable_kwh * (vehicle.soc_percent - before) / 100
    assert gained_kwh >= 0
    assert vehicle.lost_kwh >= 0
    assert vehicle.soc_percent <= 100
    # The register shows whole watt-hours.
    assert gained_kwh + vehicle.lost_kwh == pytest.approx(outlet.register_kwh - 5, abs=0.00051)


def test_losses_are_those_of_efficiency_and_standby() -> None:
    """One hour at 2300 W, 0.9 and 200 W of standby gives the battery 1870 Wh and loses 430 Wh."""
    vehicle = SimulatedVehicle(10, 0, 0.9, 200)
    charging(vehicle, 10).advance(START + HOUR)
    assert vehicle.soc_percent == pytest.approx(18.7)
    assert vehicle.lost_kwh == pytest.approx(0.43)


def test_standby_never_empties_the_battery() -> None:
    """If standby takes more than the battery would gain, it gains nothing, and all is lost."""
    vehicle = SimulatedVehicle(52, 50, 0.9, 2000)
    outlet = charging(vehicle, 6)
    outlet.advance(START + HOUR)
    assert vehicle.soc_percent == 50
    assert vehicle.lost_kwh == pytest.approx(1.38)


def test_charging_stops_by_itself_when_full() -> None:
    """A full battery draws no more power, and the register stops from that instant."""
    vehicle = SimulatedVehicle(52, 90)
    outlet = charging(vehicle)
    outlet.advance(START + 2 * HOUR)
    assert vehicle.soc_percent == 100
    assert (outlet.pilot, outlet.watts()) == ("B", 0)
    full = outlet.register_kwh
    assert full == pytest.approx(5.2 / 0.9, abs=0.001)
    outlet.advance(START + 4 * HOUR)
    assert outlet.register_kwh == full


@pytest.mark.parametrize(
    ("soc_percent", "share"), [(0, 1.0), (80, 1.0), (90, 0.625), (96, 0.4), (100, 0.25)]
)
def test_taper_is_linear_between_its_points(soc_percent: float, share: float) -> None:
    """Between 80 and 100 percent the power falls on a straight line from all to a quarter."""
    vehicle = SimulatedVehicle(52, soc_percent, taper=((80, 100), (100, 25)))
    assert vehicle.power_share() == pytest.approx(share)


def test_a_taper_of_one_point_holds_everywhere() -> None:
    """A single point is a constant share."""
    assert SimulatedVehicle(52, 10, taper=((50, 60),)).power_share() == pytest.approx(0.6)


def test_tapered_charging_follows_the_exponential() -> None:
    """With a linear taper the remaining charge falls as exp(-rate t), the closed solution."""
    # From 80 percent on, share = 1 - 0.0375 (soc - 80); d soc/dt = k share, k percent per hour.
    per_hour = 100 * 0.9 * 7.36 / 52
    hours = 1.0
    expected = 80 + (1 - math.exp(-0.0375 * per_hour * hours)) / 0.0375
    vehicle = SimulatedVehicle(52, 80, taper=((80, 100), (100, 25)))
    charging(vehicle).advance(START + hours * HOUR)
    assert vehicle.soc_percent == pytest.approx(expected, abs=0.02)


# Commands


def test_it_is_off_until_commanded() -> None:
    """Plugging in alone draws no power."""
    outlet = SimulatedChargePoint(START)
    assert outlet.pilot == "A"
    outlet.plug_in(SimulatedVehicle(52, 40), START)
    outlet.advance(START + HOUR)
    assert (outlet.pilot, outlet.watts(), outlet.register_kwh) == ("B", 0, 0)


def test_start_and_stop() -> None:
    """A start charges, a stop ends it, and the meter counts the energy between."""
    outlet = charging(SimulatedVehicle(52, 40), 10)
    assert outlet.pilot == "C"
    outlet.obey(command(2, "stop"), START + HOUR)
    assert (outlet.pilot, outlet.watts()) == ("B", 0)
    outlet.advance(START + 5 * HOUR)
    assert outlet.register_kwh == pytest.approx(2.3, abs=0.001)


def test_repeats_and_late_commands_change_nothing() -> None:
    """A command whose serial is not higher than the last one is ignored."""
    outlet = charging(SimulatedVehicle(52, 40))
    assert outlet.obey(command(5, "stop"), START)
    assert not outlet.obey(command(5), START)
    assert not outlet.obey(command(4), START)
    assert (outlet.pilot, outlet.last_serial) == ("B", 5)


def test_a_start_becomes_void() -> None:
    """Without a newer command charging stops exactly at valid_until, not at the next step."""
    outlet = SimulatedChargePoint(START)
    outlet.plug_in(SimulatedVehicle(52, 40), START)
    outlet.obey(command(1, amps=10, lasts=90 * MINUTE), START)
    assert outlet.expires_at == START + 90 * MINUTE
    outlet.advance(START + 5 * HOUR)
    assert outlet.pilot == "B"
    assert outlet.register_kwh == pytest.approx(3.45, abs=0.001)


def test_a_renewed_start_goes_on() -> None:
    """A newer start with a later end continues the charge past the old end."""
    outlet = SimulatedChargePoint(START)
    outlet.plug_in(SimulatedVehicle(52, 40), START)
    outlet.obey(command(1, amps=10, lasts=10 * MINUTE), START)
    outlet.obey(command(2, amps=10, lasts=HOUR), START + 9 * MINUTE)
    outlet.advance(START + 2 * HOUR)
    assert outlet.register_kwh == pytest.approx(2.3, abs=0.001)


def test_a_void_start_does_not_start() -> None:
    """The serial of an expired retained start counts, and power stays off."""
    outlet = SimulatedChargePoint(START)
    outlet.plug_in(SimulatedVehicle(52, 40), START)
    assert outlet.obey(command(7, lasts=-MINUTE), START)
    assert (outlet.pilot, outlet.last_serial) == ("B", 7)
    assert not outlet.obey(command(6), START)


@pytest.mark.parametrize(
    ("commanded", "drawn"), [(32, 32), (40, 32), (16.5, 16.5), (6, 6), (5.9, 0), (0.1, 0)]
)
def test_current_stays_within_what_the_point_can_offer(commanded: float, drawn: float) -> None:
    """Above the maximum it offers the maximum; below the minimum (IEC 61851-1: 6 A), nothing."""
    outlet = charging(SimulatedVehicle(52, 40), commanded)
    assert outlet.amps() == drawn
    assert outlet.watts() == 230 * drawn


def test_a_vehicle_draws_no_more_than_it_can() -> None:
    """The vehicle's own limit applies if it is below the offer."""
    assert charging(SimulatedVehicle(52, 40, max_amps=16)).amps() == 16


def test_a_relay_knows_no_current() -> None:
    """A relay gives all or nothing."""
    outlet = SimulatedChargePoint(START, max_amps=10, on_off=True)
    outlet.plug_in(SimulatedVehicle(52, 40), START)
    outlet.obey(command(1, amps=6), START)
    assert outlet.amps() == 10
    outlet.obey(command(2, "stop"), START)
    assert outlet.amps() == 0


def test_plugging_in_under_a_start_charges_at_once() -> None:
    """A start from before the vehicle came counts when it comes."""
    outlet = SimulatedChargePoint(START)
    outlet.obey(command(1), START)
    assert (outlet.pilot, outlet.watts()) == ("A", 0)
    outlet.plug_in(SimulatedVehicle(52, 40), START + HOUR)
    assert outlet.pilot == "C"


def test_unplugging_ends_the_charge() -> None:
    """The vehicle leaves with its charge, and the register keeps its count."""
    outlet = charging(SimulatedVehicle(52, 40), 10, register_wh=1_234_560)
    vehicle = outlet.unplug(START + HOUR)
    assert vehicle.soc_percent == pytest.approx(40 + 100 * 0.9 * 2.3 / 52)
    assert (outlet.pilot, outlet.watts()) == ("A", 0)
    outlet.advance(START + 2 * HOUR)
    assert outlet.register_kwh == pytest.approx(1236.86, abs=0.001)


# Refusals


def test_time_does_not_run_backwards() -> None:
    """An earlier instant is refused, and nothing changes."""
    outlet = charging(SimulatedVehicle(52, 40))
    outlet.advance(START + HOUR)
    with pytest.raises(ValueError, match="backwards"):
        outlet.advance(START)
    assert outlet.now == START + HOUR


def test_one_vehicle_at_a_time() -> None:
    """A second vehicle can't be plugged in, and without a vehicle none can be unplugged."""
    outlet = SimulatedChargePoint(START)
    with pytest.raises(ValueError, match="no vehicle"):
        outlet.unplug(START)
    outlet.plug_in(SimulatedVehicle(52, 40), START)
    with pytest.raises(ValueError, match="already"):
        outlet.plug_in(SimulatedVehicle(40, 40), START)


@pytest.mark.parametrize(
    "wrong",
    [
        {"usable_kwh": 0, "soc_percent": 40},
        {"usable_kwh": 52, "soc_percent": 101},
        {"usable_kwh": 52, "soc_percent": float("nan")},
        {"usable_kwh": 52, "soc_percent": 40, "efficiency": 90},
        {"usable_kwh": 52, "soc_percent": 40, "standby_watts": -1},
        {"usable_kwh": 52, "soc_percent": 40, "taper": ((100, 25), (80, 100))},
    ],
)
def test_impossible_vehicles_are_refused(wrong: dict[str, Any]) -> None:
    """An impossible battery, efficiency, standby or taper is refused."""
    with pytest.raises(ValueError, match=r"battery|efficiency|taper"):
        SimulatedVehicle(**wrong)
