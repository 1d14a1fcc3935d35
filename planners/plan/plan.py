"""Define a plan, and write it as JSON (design, section 8)."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from planners.accounts.money import FLOAT_PLACES
from planners.power.excess_current import current_text

if TYPE_CHECKING:
    from datetime import datetime


NOTICED_PERCENT = 0.05
"""Less of the battery than this is not mentioned [percent]."""

NOTICED_KWH = 0.0005
"""Less of a roof's energy than this is not mentioned [kWh]."""


@dataclass(frozen=True, slots=True)
class Period:
    """A stretch of charging at one current and one rate.

    Attributes
    ----------
    start, end : datetime
        UTC, half-open.
    amps : float
        Current per phase; where one phase of several carries it, its part of each [A].
    kwh : float
        Energy through the meter [kWh].
    cost : float
        Cost of that energy, tax included [currency].
    band : str
        The band, or "price" for a price series.
    estimated : bool
        Whether the rate is an estimate.
    roof_kwh, roof_cost : float
        The part of that energy that the home's own roofs are counted on for [kWh], and what export
        would pay for it [currency].
    carbon_kg, carbon_price : float
        The carbon that the energy causes [kg CO2e], and what the plan counts for it, which is no
        part of the cost [currency]; 0 unless carbon has a price.
    one_phase_amps : float or None
        The current of the one phase that carries it; None if all phases of the vehicle do [A].
    """

    start: datetime
    end: datetime
    amps: float
    kwh: float
    cost: float
    band: str
    estimated: bool = False
    roof_kwh: float = 0.0
    roof_cost: float = 0.0
    carbon_kg: float = 0.0
    carbon_price: float = 0.0
    one_phase_amps: float | None = None

    @property
    def told_amps(self) -> float:
        """The current that the charge point is told, on each phase that carries it [A]."""
        return self.amps if self.one_phase_amps is None else self.one_phase_amps

    @property
    def current_text(self) -> str:
        """That current for people."""
        return current_text(self.told_amps, 1 if self.one_phase_amps is not None else None)

    @property
    def price(self) -> float:
        """What the plan counts for it: cost and carbon [currency]."""
        return self.cost + self.carbon_price


@dataclass(frozen=True, slots=True)
class Outcome:
    """Metered energy [kWh] and cost [currency] of charging by some rule."""

    energy_kwh: float
    cost: float


@dataclass(frozen=True, slots=True)
class Shortfall:
    """How much of a need can't be met, and what would meet it.

    Attributes
    ----------
    kwh : float
        Metered energy that is missing [kWh].
    earliest_ready : datetime or None
        When charging without a pause would meet the need; None if never.
    amps_that_would_do : float or None
        The lowest whole current that would meet it in time [A]; None if none would that fuse and
        vehicle allow, up to 80 A.
    """

    kwh: float
    earliest_ready: datetime | None
    amps_that_would_do: float | None


@dataclass(frozen=True, slots=True)
class LaterNight:
    """The plan between a return and the departure after it.

    Attributes
    ----------
    returns, departure : datetime
        UTC.
    soc_percent, need_percent, want_percent, reaches_percent : float
        State of charge on the return, needed, wanted, and planned for the departure [percent].
    energy_kwh : float
        Energy through the meter [kWh].
    cost : float
        Cost of that energy, tax included, without start costs [currency].
    periods : tuple of Period
        In order of time.
    event : str or None
        Title of the calendar's event that the departure is; None if it is none.
    """

    returns: datetime
    departure: datetime
    soc_percent: float
    need_percent: float
    want_percent: float
    reaches_percent: float
    energy_kwh: float
    cost: float
    periods: tuple[Period, ...]
    event: str | None = None

    @property
    def is_short(self) -> bool:
        """Whether its need is out of reach."""
        return self.need_percent - self.reaches_percent >= NOTICED_PERCENT


@dataclass(frozen=True, slots=True)
class Plan:
    """Charging periods of one vehicle up to a departure.

    Energies are at the meter, and costs include tax. `cost` contains neither the standing charge
    nor start costs. `shortfall` is None if the need is met. `later` holds the nights that were
    planned together with this one. `gap` is by how much at most a plan of all these nights, in
    steps of the same length, could be better [currency], with starts and what is wanted counted;
    None if this is the best, or if that isn't known. `as_of` is the instant of the figures if it is
    not `made_at`: they are those of what is left from then on. `carbon_kind` is "average" or
    "marginal" if the plan counts a price of carbon. `event` is the title of the calendar's event
    that the departure is, if it is one.
    """

    charge_point: str
    vehicle: str
    currency: str
    tariff: str
    made_at: datetime
    departure: datetime
    soc_percent: float
    need_percent: float
    want_percent: float
    reaches_percent: float
    energy_kwh: float
    cost: float
    starts: int
    shortfall: Shortfall | None
    periods: tuple[Period, ...]
    at_once: Outcome
    timer: Outcome
    later: tuple[LaterNight, ...] = ()
    gap: float | None = None
    why: tuple[str, ...] = field(default=())
    cautions: tuple[str, ...] = field(default=())
    as_of: datetime | None = None
    carbon_kind: str | None = None
    event: str | None = None

    @property
    def rests_on_estimates(self) -> bool:
        """Whether any period's rate is an estimate."""
        return any(period.estimated for period in self.periods)

    @property
    def roof_kwh(self) -> float:
        """The energy that the home's own roofs are counted on for [kWh]."""
        return sum((period.roof_kwh for period in self.periods), 0.0)

    @property
    def roof_cost(self) -> float:
        """What export would pay for it [currency]."""
        return sum((period.roof_cost for period in self.periods), 0.0)

    @property
    def carbon_kg(self) -> float:
        """The carbon that the energy causes [kg CO2e]; 0 unless carbon has a price."""
        return sum((period.carbon_kg for period in self.periods), 0.0)

    @property
    def price(self) -> float:
        """What is counted for it when plans are compared: cost and carbon [currency]."""
        return self.cost + sum((period.carbon_price for period in self.periods), 0.0)

    @property
    def name(self) -> str:
        """The name by which commands refer to this plan."""
        return f"{self.vehicle}@{instant_text(self.made_at)}"

    def period_at(self, instant: datetime) -> Period | None:
        """Return the period that covers an instant, if one does."""
        return next((p for p in self.periods if p.start <= instant < p.end), None)

    def to_json(self) -> dict[str, Any]:
        """Return the plan as JSON values: kWh and percent to 3 decimals, money to 6."""
        document: dict[str, Any] = {
            "charge_point": self.charge_point,
            "vehicle": self.vehicle,
            "currency": self.currency,
            "tariff": self.tariff,
            "made_at": instant_text(self.made_at),
            "departure": instant_text(self.departure),
            "soc_percent": round(self.soc_percent, 3),
            "need_percent": round(self.need_percent, 3),
            "want_percent": round(self.want_percent, 3),
            "reaches_percent": round(self.reaches_percent, 3),
            "energy_kwh": round(self.energy_kwh, 3),
            "cost": round(self.cost, FLOAT_PLACES),
            "starts": self.starts,
            "shortfall_kwh": round(self.shortfall.kwh, 3) if self.shortfall else 0.0,
            "rests_on_estimates": self.rests_on_estimates,
            "periods": [_period_json(period) for period in self.periods],
            "baselines": {
                "at_once": _outcome_json(self.at_once),
                "timer": _outcome_json(self.timer),
            },
            "why": list(self.why),
            "cautions": list(self.cautions),
        }
        if self.event is not None:
            document["event"] = self.event
        if self.as_of is not None:
            document["as_of"] = instant_text(self.as_of)
        if self.roof_kwh > NOTICED_KWH:
            document["by_source"] = {
                "roof": {
                    "energy_kwh": round(self.roof_kwh, 3),
                    "cost": round(self.roof_cost, FLOAT_PLACES),
                },
                "grid": {
                    "energy_kwh": round(self.energy_kwh - self.roof_kwh, 3),
                    "cost": round(self.cost - self.roof_cost, FLOAT_PLACES),
                },
            }
        if self.carbon_kind is not None:
            document["carbon"] = {
                "kind": self.carbon_kind,
                "kg": round(self.carbon_kg, 3),
                "counted": round(self.price - self.cost, FLOAT_PLACES),
            }
        if self.later:
            document["later"] = [_later_json(night) for night in self.later]
        if self.gap is not None:
            document["gap"] = round(self.gap, FLOAT_PLACES)
        if self.shortfall:
            ready = self.shortfall.earliest_ready
            document["earliest_ready"] = instant_text(ready) if ready else None
            document["amps_that_would_do"] = self.shortfall.amps_that_would_do
        return document


def instant_text(instant: datetime) -> str:
    """Write a UTC instant as in RFC 3339, to the second, with Z."""
    return instant.isoformat(timespec="seconds").replace("+00:00", "Z")


def _period_json(period: Period) -> dict[str, Any]:
    document = {
        "start": instant_text(period.start),
        "end": instant_text(period.end),
        "amps": period.told_amps,
        "kwh": round(period.kwh, 3),
        "cost": round(period.cost, FLOAT_PLACES),
        "band": period.band,
    }
    if period.one_phase_amps is not None:
        document["phases"] = 1
    if period.roof_kwh > NOTICED_KWH:
        document |= {
            "roof_kwh": round(period.roof_kwh, 3),
            "roof_cost": round(period.roof_cost, FLOAT_PLACES),
        }
    return document | {"estimated": True} if period.estimated else document


def _later_json(night: LaterNight) -> dict[str, Any]:
    document = {
        "returns": instant_text(night.returns),
        "departure": instant_text(night.departure),
        "soc_percent": round(night.soc_percent, 3),
        "need_percent": round(night.need_percent, 3),
        "want_percent": round(night.want_percent, 3),
        "reaches_percent": round(night.reaches_percent, 3),
        "energy_kwh": round(night.energy_kwh, 3),
        "cost": round(night.cost, FLOAT_PLACES),
        "periods": [_period_json(period) for period in night.periods],
    }
    return document if night.event is None else document | {"event": night.event}


def _outcome_json(outcome: Outcome) -> dict[str, float]:
    return {"energy_kwh": round(outcome.energy_kwh, 3), "cost": round(outcome.cost, FLOAT_PLACES)}
