"""Figures for graphs: what they say of an evening, and the rules their names keep."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from decimal import Decimal

import pytest

from adapters.contract.messages import Command, KnownRates, Reading, Status
from adapters.metrics.page import page
from daemon.messaging.outbox import command_message
from daemon.messaging.status import next_start, status_of
from daemon.observers.metrics import DaemonShown, PointShown, families_of
from planners.plan.plan import Period, Plan, Shortfall
from tests.daemon.worlds import EVENING, HOUR, NIGHT_BEGINS, POINT, World, household, kowhai
from tests.support.open_metrics import broken_rules, figures

DRIVEWAY = frozenset({("charge_point", POINT)})
ALONE: frozenset[tuple[str, str]] = frozenset()
DAEMON = DaemonShown(EVENING, "0.1.0", "NZD", connected=True, records=True, rate=Decimal("0.35075"))
UNKNOWN = PointShown(Status(at=EVENING, stale_after=EVENING, connected=False, charging=False))


def figures_of(
    daemon: DaemonShown, **points: PointShown
) -> dict[str, dict[frozenset[tuple[str, str]], float]]:
    return figures(page(families_of(daemon, points)).decode())


def shown(world: World) -> PointShown:
    command = world.state.command
    return PointShown(
        status_of(world.state, world.now, world.house),
        command_message(command) if command else None,
        world.state.plan,
    )


@pytest.fixture
def evening() -> World:
    world = World(kowhai(), EVENING, meter_wh=1_234_567.0)
    world.plug_in(35)
    world.read()
    return world


def test_an_evening_before_it_charges(evening: World) -> None:
    """The vehicle waits for 21:00, which is 09:00 UTC; each figure is in its base unit."""
    plan = evening.state.plan
    assert plan is not None
    found = figures_of(DAEMON, driveway=shown(evening))
    assert {name: values[DRIVEWAY] for name, values in found.items() if DRIVEWAY in values} == {
        "lullwatt_vehicle_connected": 1.0,
        "lullwatt_vehicle_charging": 0.0,
        "lullwatt_state_of_charge_ratio": 0.35,
        "lullwatt_energy_joules_total": 1_234_567 * 3600.0,  # 1 Wh is 3600 J, BIPM SI brochure
        "lullwatt_power_watts": 0.0,
        "lullwatt_last_reading_timestamp_seconds": 1780468200.0,  # date -d 2026-06-03T06:30Z +%s
        "lullwatt_command_on": 0.0,
        "lullwatt_command_amperes": 0.0,
        "lullwatt_plan_next_start_timestamp_seconds": 1780477200.0,  # date -d 2026-06-03T09:00Z
        "lullwatt_plan_shortfall_joules": 0.0,
    }
    labels = frozenset({("charge_point", POINT), ("currency", "NZD")})
    assert found["lullwatt_plan_cost"] == {labels: plan.cost}
    assert found["lullwatt_rate_per_kilowatt_hour"] == {frozenset({("currency", "NZD")}): 0.35075}
    assert found["lullwatt_rate_known"] == {ALONE: 1.0}


def test_an_evening_while_it_charges(evening: World) -> None:
    """At 32 A and 230 V; nothing more is to start."""
    evening.wait(NIGHT_BEGINS + HOUR)
    found = figures_of(replace(DAEMON, now=evening.now), driveway=shown(evening))
    assert found["lullwatt_power_watts"] == {DRIVEWAY: 7360.0}
    assert found["lullwatt_command_on"] == {DRIVEWAY: 1.0}
    assert found["lullwatt_command_amperes"] == {DRIVEWAY: 32.0}
    assert found["lullwatt_vehicle_charging"] == {DRIVEWAY: 1.0}
    assert found["lullwatt_state_of_charge_ratio"][DRIVEWAY] > 0.35
    assert "lullwatt_plan_next_start_timestamp_seconds" not in found


def test_what_is_not_known_is_left_out() -> None:
    """No figure stands for one that is not there."""
    assert set(figures_of(replace(DAEMON, rate=None), driveway=UNKNOWN)) == {
        "lullwatt_build_info",
        "lullwatt_told_timestamp_seconds",
        "lullwatt_bus_connected",
        "lullwatt_ledger_accepting",
        "lullwatt_vehicle_connected",
        "lullwatt_vehicle_charging",
    }


def test_while_the_clock_is_waited_for_there_is_the_daemon_alone() -> None:
    """That it runs, and whether it has its broker and its ledger."""
    found = figures_of(replace(DAEMON, rate=None, connected=False, records=False))
    assert found["lullwatt_bus_connected"] == {ALONE: 0.0}
    assert found["lullwatt_ledger_accepting"] == {ALONE: 0.0}
    assert found["lullwatt_build_info"] == {frozenset({("version", "0.1.0")}): 1.0}
    assert len(found) == 4


def test_rates_that_end_and_alerts_that_hold() -> None:
    """Until when rates are known, what holds now, and how often it was raised."""
    until = EVENING + timedelta(days=1)
    rates = KnownRates(tariff="Day-ahead", known_until=until, now="estimated")
    status = UNKNOWN.status.model_copy(update={"rates": rates, "alerts": ("no-power",)})
    counts = {(POINT, "no-power"): 3, (POINT, "late"): 1}
    daemon = replace(DAEMON, alerts=counts, nights={POINT: 7})
    found = figures_of(daemon, driveway=PointShown(status))
    power, late = (
        frozenset({("charge_point", POINT), ("code", code)}) for code in ("no-power", "late")
    )
    assert found["lullwatt_rates_known_until_timestamp_seconds"] == {ALONE: until.timestamp()}
    assert found["lullwatt_rate_known"] == {ALONE: 0.0}
    assert found["lullwatt_alert_active"] == {power: 1.0}
    assert found["lullwatt_alerts_total"] == {power: 3.0, late: 1.0}
    assert found["lullwatt_nights_recorded_total"] == {DRIVEWAY: 7.0}


def test_every_figure_keeps_the_rules(evening: World) -> None:
    """Of OpenMetrics: a help, a type, units that end names, suffixes, and the end."""
    plan = evening.state.plan
    assert plan is not None
    short = replace(plan, shortfall=Shortfall(2.5, None, None))
    rates = KnownRates(tariff="Day-ahead", known_until=EVENING, now="known")
    status = shown(evening).status.model_copy(update={"alerts": ("no-power",), "rates": rates})
    command = Command(serial=1, do="start", amps=16, valid_until=EVENING, why="cheap")
    points = {'car "port"\n': PointShown(status, command, short), POINT: shown(evening)}
    daemon = replace(DAEMON, alerts={(POINT, "no-power"): 1}, nights={POINT: 1})
    families = families_of(daemon, points)
    text = page(families).decode()
    assert len(families) == 21, "every family has figures here"
    assert broken_rules(text) == []
    odd = frozenset({("charge_point", 'car "port"\n')})
    assert figures(text)["lullwatt_plan_shortfall_joules"][odd] == 9_000_000  # 2.5 kWh


def test_a_rule_that_is_broken_is_found() -> None:
    """The rules can be broken."""
    bad = (
        "# HELP lullwatt_energy_kwh Energy.\n# TYPE lullwatt_energy_kwh counter\n"
        "# UNIT lullwatt_energy_kwh kwh\nlullwatt_energy_kwh 3\n"
        "# HELP a_watts Power.\n# TYPE a_watts gauge\na_watts 3\n"
    )
    assert broken_rules(bad) == [
        "no end", "unit of lullwatt_energy_kwh", "no unit for a_watts", "lullwatt_energy_kwh 3",
    ]  # fmt: skip


def test_negative_power_and_a_register_of_zero_are_figures() -> None:
    """A meter's values are published unchanged."""
    reading = Reading(at=EVENING, register_kwh=0, watts=-120.5)
    status = UNKNOWN.status.model_copy(update={"reading": reading})
    found = figures_of(DAEMON, driveway=PointShown(status))
    assert found["lullwatt_power_watts"] == {DRIVEWAY: -120.5}
    assert found["lullwatt_energy_joules_total"] == {DRIVEWAY: 0.0}


def hours(start: int, end: int) -> Period:
    day = datetime(2026, 6, 3, tzinfo=UTC)
    return Period(day + start * HOUR, day + end * HOUR, 16.0, 3.0, 1.0, "night")


@pytest.mark.parametrize(
    ("now", "starts"), [(6, 9), (9, 15), (10, 15), (12, 15), (14, 15), (15, None), (16, None)]
)
def test_a_period_that_carries_on_another_is_no_start(
    evening: World, now: int, starts: int | None
) -> None:
    """From 9 to 11 and on to 13 at another rate, and again at 15."""
    assert isinstance(evening.state.plan, Plan)
    plan = replace(evening.state.plan, periods=(hours(9, 11), hours(11, 13), hours(15, 16)))
    day = datetime(2026, 6, 3, tzinfo=UTC)
    assert next_start(plan, day + now * HOUR) == (None if starts is None else day + starts * HOUR)


def test_a_household_of_its_own_currency() -> None:
    """The currency is a label of money."""
    world = World(
        household(household={"name": "Larch Cabin", "timezone": "Europe/Oslo", "currency": "NOK"}),
        EVENING,
    )
    world.plug_in(35)
    assert world.state.plan is not None
    found = figures_of(replace(DAEMON, currency="NOK"), driveway=shown(world))
    assert {dict(labels)["currency"] for labels in found["lullwatt_plan_cost"]} == {"NOK"}
