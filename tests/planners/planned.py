"""Plans for tests: the demo household with a test's changes, and its plan in one call."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Any

from config.household.household_file import HouseholdFile
from planners.local_time.wished_departures import next_departure
from planners.plan.horizon import Situation
from planners.plan.planning import Draft, draft_plan, explained
from planners.power.allowed_currents import AmpsSpan
from planners.rates.prices import prices_of
from tests.planners.households import band, bands

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from config.files.price_series import PricePoint
    from planners.plan.plan import Plan

HERE = Path(__file__).parent
EVERY_DAY = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"]

THREE_BANDS = bands(
    band("night", "0.168", hours=["21:00-07:00"]),
    band(
        "peak", "0.412", hours=["07:00-11:00", "17:00-21:00"],
        days=["mon", "tue", "wed", "thu", "fri"],
    ),
    band("day", "0.305"),
    name="Three-band", tax_percent=Decimal(15), standing_charge=Decimal("1.90"),
)  # fmt: skip

NIGHT_RATE = 0.1932
PEAK_RATE = 0.4738


@dataclass(frozen=True)
class DemoHousehold:
    """The demo household with a test's changes: each field adds keys to a part, or replaces it."""

    home: Mapping[str, Any] | None = None
    tariffs: Sequence[dict[str, Any]] = (THREE_BANDS,)
    point: Mapping[str, Any] | None = None
    car: Mapping[str, Any] | None = None
    leaves: Mapping[str, Any] | None = None
    series: Mapping[str, Sequence[PricePoint]] | None = None
    generation: Mapping[str, Any] | None = None
    carbon: Mapping[str, Any] | None = None

    def file(self) -> HouseholdFile:
        """Return the household file, validated like a loaded one."""
        home = {"name": "Kowhai Cottage", "timezone": "Pacific/Auckland", "currency": "NZD"}
        point = {"charging_mode": 3, "max_amps": 32.0, "switching": "current"}
        car = {"charge_point": "driveway", "usable_kwh": 52.0, "everyday_limit_percent": 80.0}
        leaves = {"vehicle": "hatchback", "days": EVERY_DAY, "at": "07:20", "need_percent": 80.0}
        return HouseholdFile.model_validate(
            {
                "household": home | {"main_fuse_amps": 63.0} | dict(self.home or {}),
                "tariffs": list(self.tariffs),
                "charge_points": {"driveway": point | dict(self.point or {})},
                "vehicles": {"hatchback": car | dict(self.car or {})},
                "departures": [leaves | dict(self.leaves or {})],
                "bus": {"broker": "mqtt://127.0.0.1:1883"},
                "ledger": {"path": "ledger.sqlite3"},
                "generation": self.generation and dict(self.generation),
                "carbon": self.carbon and dict(self.carbon),
            },
            context={"directory": HERE},
        )

    def plan(self, soc: float, at: str, *, on: bool = False, since: str | None = None) -> Plan:
        """Make the plan for the next departure."""
        return explained(self.draft(soc, at, on=on, since=since))

    def draft(self, soc: float, at: str, *, on: bool = False, since: str | None = None) -> Draft:
        """Make that plan without its reasons, with what the solver found in whole ticks."""
        file = self.file()
        now = utc(at)
        departure = next_departure(file, "hatchback", now)
        assert departure is not None
        situation = Situation(now, soc, departure, on=on, since=utc(since) if since else None)
        return draft_plan(file, prices_of(file, self.series or {}), situation)

    def with_amps(self, amps: float) -> DemoHousehold:
        """Raise every limit of the current."""
        return replace(
            self,
            home={**(self.home or {}), "main_fuse_amps": 100.0},
            point={**(self.point or {}), "max_amps": amps},
            car={**(self.car or {}), "max_amps": amps},
        )


def always(amps: float) -> Callable[[datetime, datetime], tuple[AmpsSpan, ...]]:
    """Return one current for all times, in the form that `window` wants."""
    return lambda start, end: (AmpsSpan(start, end, amps),)


def utc(text: str) -> datetime:
    """Read a UTC instant written without its offset."""
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def spans_of(plan: Plan) -> list[tuple[str, str]]:
    """List the periods as pairs of times of day, UTC, to the second."""
    return [(f"{p.start:%H:%M:%S}", f"{p.end:%H:%M:%S}") for p in plan.periods]


def runs_of(plan: Plan) -> list[tuple[datetime, datetime]]:
    """List the periods, those that follow each other without a break as one."""
    runs: list[tuple[datetime, datetime]] = []
    for period in plan.periods:
        if runs and runs[-1][1] == period.start:
            runs[-1] = (runs[-1][0], period.end)
        else:
            runs.append((period.start, period.end))
    return runs


def minutes(count: float) -> timedelta:
    return timedelta(minutes=count)
