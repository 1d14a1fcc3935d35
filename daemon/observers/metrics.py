"""Make figures for graphs from what the daemon publishes: status, command and plan. Pure.

The names follow OpenMetrics: units in full and in the plural, energy in joules, time in seconds
since 1970. Unknown figures are left out. Money has no unit in OpenMetrics: the currency is a label.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from adapters.metrics.families import Family, Figures
from daemon.messaging.status import next_start

if TYPE_CHECKING:
    from datetime import datetime
    from decimal import Decimal

    from adapters.contract.messages import Command, Status
    from planners.plan.plan import Plan

JOULES_PER_WH = 3600
JOULES_PER_KWH = 1000 * JOULES_PER_WH

UPDATED_AT = "lullwatt_told_timestamp_seconds"
"""The one figure that always changes."""


@dataclass(frozen=True, slots=True)
class PointShown:
    """The messages of one charge point that the figures come from."""

    status: Status
    command: Command | None = None
    plan: Plan | None = None


@dataclass(frozen=True, slots=True)
class DaemonShown:
    """The daemon's own state.

    Attributes
    ----------
    now : datetime
        UTC.
    version : str
        Lullwatt's.
    currency : str
        The household's, ISO 4217.
    connected : bool
        Whether there is a broker.
    records : bool
        Whether the ledger accepts rows.
    rate : Decimal or None
        The rate now, tax included [currency per kWh].
    alerts : mapping of (str, str) to int
        The number raised since the start, by charge point and code.
    nights : mapping of str to int
        The number recorded since the start, by charge point.
    """

    now: datetime
    version: str
    currency: str
    connected: bool
    records: bool
    rate: Decimal | None = None
    alerts: Mapping[tuple[str, str], int] = field(default_factory=dict)
    nights: Mapping[str, int] = field(default_factory=dict)


def families_of(daemon: DaemonShown, points: Mapping[str, PointShown]) -> tuple[Family, ...]:
    """Return all figures.

    Parameters
    ----------
    daemon : DaemonShown
        The daemon.
    points : mapping of str to PointShown
        The charge points; none until the clock is set.

    Returns
    -------
    tuple of Family
        Those that have a value now.
    """
    found = (
        *_of_daemon(daemon), *_of_rates(daemon, points), *_of_grid_limits(points),
        *_of_points(daemon, points),
    )  # fmt: skip
    return tuple(family for family in found if family.figures)


def _of_daemon(daemon: DaemonShown) -> Iterator[Family]:
    yield Family(
        "lullwatt_build", "info", "Which Lullwatt this is.", (({"version": daemon.version}, 1.0),)
    )
    yield _gauge(
        UPDATED_AT, "When these figures were made, by the clock of the daemon's machine.",
        _single(daemon.now.timestamp()), "seconds",
    )  # fmt: skip
    yield _gauge("lullwatt_bus_connected", "Whether there is a broker.", _single(daemon.connected))
    yield _gauge(
        "lullwatt_ledger_accepting", "Whether the ledger accepts rows.",
        _single(daemon.records),
    )  # fmt: skip
    yield Family(
        "lullwatt_alerts", "counter", "Alerts raised since the daemon started.",
        tuple(
            ({"charge_point": point, "code": code}, float(count))
            for (point, code), count in sorted(daemon.alerts.items())
        ),
    )  # fmt: skip
    yield Family(
        "lullwatt_nights_recorded", "counter", "Nights recorded since the daemon started.",
        tuple(({"charge_point": name}, float(n)) for name, n in sorted(daemon.nights.items())),
    )  # fmt: skip


def _of_rates(daemon: DaemonShown, points: Mapping[str, PointShown]) -> Iterator[Family]:
    rates = next((each.status.rates for each in points.values()), None)
    yield _gauge(
        "lullwatt_rate_per_kilowatt_hour",
        "The price of a kWh now, tax included; an estimate while lullwatt_rate_known is 0.",
        () if daemon.rate is None else (({"currency": daemon.currency}, float(daemon.rate)),),
    )
    yield _gauge(
        "lullwatt_rate_known", "Whether the rate now is known.",
        _single(rates.now == "known" if rates else None),
    )  # fmt: skip
    yield _gauge(
        "lullwatt_rates_known_until_timestamp_seconds",
        "Until when the rates are known; absent if they never end.",
        _single(_seconds(rates.known_until if rates else None)), "seconds",
    )  # fmt: skip


def _of_grid_limits(points: Mapping[str, PointShown]) -> Iterator[Family]:
    limits = next((each.status.grid_limits for each in points.values()), None) or ()
    powers = [each.kw * 1000 for each in limits if each.kw is not None and not each.charge_point]
    currents = [each.amps for each in limits if each.amps is not None and not each.charge_point]
    yield _gauge(
        "lullwatt_grid_limit_watts", "What the grid operator allows now, if it limits the power.",
        _single(min(powers, default=None)), "watts",
    )  # fmt: skip
    yield _gauge(
        "lullwatt_grid_limit_amperes",
        "What the grid operator allows now, if it limits the current, per phase.",
        _single(min(currents, default=None)), "amperes",
    )  # fmt: skip


def _of_points(daemon: DaemonShown, points: Mapping[str, PointShown]) -> Iterator[Family]:
    yield from _of_vehicles(points)
    yield from _of_meters(points)
    yield from _of_commands(points)
    yield from _of_plans(daemon, points)
    yield _gauge(
        "lullwatt_alert_active", "1 for each alert that holds now.",
        tuple(
            ({"charge_point": name, "code": code}, 1.0)
            for name, each in points.items()
            for code in each.status.alerts
        ),
    )  # fmt: skip


def _of_vehicles(points: Mapping[str, PointShown]) -> Iterator[Family]:
    yield _gauge(
        "lullwatt_vehicle_connected", "Whether a vehicle is plugged in.",
        _per_point((name, each.status.connected) for name, each in points.items()),
    )  # fmt: skip
    yield _gauge(
        "lullwatt_vehicle_charging", "Whether power flows into it.",
        _per_point((name, each.status.charging) for name, each in points.items()),
    )  # fmt: skip
    yield _gauge(
        "lullwatt_state_of_charge_ratio", "Its state of charge, if known; 1 is full.",
        _per_point((name, _ratio(each.status.soc_percent)) for name, each in points.items()),
        "ratio",
    )  # fmt: skip


def _of_meters(points: Mapping[str, PointShown]) -> Iterator[Family]:
    statuses = {name: each.status for name, each in points.items()}
    readings = {name: each.reading for name, each in statuses.items() if each.reading is not None}
    registers = _per_point((name, each.register_wh) for name, each in readings.items())
    yield Family(
        "lullwatt_energy_joules", "counter", "The meter's register, in joules (1 kWh is 3.6 MJ).",
        tuple((labels, wh * JOULES_PER_WH) for labels, wh in registers), "joules",
    )  # fmt: skip
    yield _gauge(
        "lullwatt_power_watts", "The power in the last reading.",
        _per_point((name, each.watts) for name, each in readings.items()), "watts",
    )  # fmt: skip
    yield _gauge(
        "lullwatt_last_reading_timestamp_seconds", "When the register was last read.",
        _per_point((name, _seconds(each.at)) for name, each in readings.items()), "seconds",
    )  # fmt: skip


def _of_commands(points: Mapping[str, PointShown]) -> Iterator[Family]:
    commands = {name: each.command for name, each in points.items() if each.command is not None}
    yield _gauge(
        "lullwatt_command_on", "Whether the command in force is to charge.",
        _per_point((name, each.do == "start") for name, each in commands.items()),
    )  # fmt: skip
    yield _gauge(
        "lullwatt_command_amperes", "The current that it allows, per phase; 0 for a stop.",
        _per_point((name, each.amps or 0.0) for name, each in commands.items()), "amperes",
    )  # fmt: skip


def _of_plans(daemon: DaemonShown, points: Mapping[str, PointShown]) -> Iterator[Family]:
    plans = {name: each.plan for name, each in points.items() if each.plan is not None}
    yield _gauge(
        "lullwatt_plan_next_start_timestamp_seconds", "When the plan next begins to charge.",
        _per_point((name, _seconds(next_start(plan, daemon.now))) for name, plan in plans.items()),
        "seconds",
    )  # fmt: skip
    yield _gauge(
        "lullwatt_plan_cost", "What the plan's energy costs, tax included.",
        tuple(
            ({"charge_point": name, "currency": plan.currency}, plan.cost)
            for name, plan in plans.items()
        ),
    )  # fmt: skip
    yield _gauge(
        "lullwatt_plan_shortfall_joules", "Energy at the meter that is missing for the departure.",
        _per_point((name, _short_kwh(plan) * JOULES_PER_KWH) for name, plan in plans.items()),
        "joules",
    )  # fmt: skip


def _gauge(name: str, description: str, figures: Figures, unit: str = "") -> Family:
    return Family(name, "gauge", description, figures, unit)


def _single(value: float | None) -> Figures:
    return () if value is None else (({}, float(value)),)


def _per_point(values: Iterable[tuple[str, float | None]]) -> Figures:
    return tuple(
        ({"charge_point": name}, float(value)) for name, value in values if value is not None
    )


def _seconds(instant: datetime | None) -> float | None:
    return None if instant is None else instant.timestamp()


def _ratio(percent: float | None) -> float | None:
    return None if percent is None else percent / 100


def _short_kwh(plan: Plan) -> float:
    return plan.shortfall.kwh if plan.shortfall else 0.0
