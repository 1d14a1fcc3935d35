"""What charging profiles allow: OCPP 1.6, sections 3.13, 7.8 and 7.13, cited from memory."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

UNBOUNDED = 1e9


@dataclass
class Stored:
    """A profile as it was sent, its connector, and when its transaction began."""

    connector: int
    profile: dict[str, Any]

    @property
    def purpose(self) -> str:
        return str(self.profile["chargingProfilePurpose"])

    @property
    def level(self) -> int:
        return int(self.profile["stackLevel"])

    def watts_or_amps(self, at: datetime, begun: datetime | None) -> tuple[float, str] | None:
        """Return its limit and unit at an instant; None while it does not count."""
        schedule = self.profile["chargingSchedule"]
        kind, begins = self.profile["chargingProfileKind"], schedule.get("startSchedule")
        start = begun if kind == "Relative" or begins is None else datetime.fromisoformat(begins)
        valid = [self.profile.get(key) for key in ("validFrom", "validTo")]
        if start is None or at < start:
            return None
        if valid[0] is not None and at < datetime.fromisoformat(valid[0]):
            return None
        if valid[1] is not None and at >= datetime.fromisoformat(valid[1]):
            return None
        duration = schedule.get("duration")
        if duration is not None and at >= start + timedelta(seconds=duration):
            return None
        passed = (at - start).total_seconds()
        periods = [e for e in schedule["chargingSchedulePeriod"] if e["startPeriod"] <= passed]
        return (float(periods[-1]["limit"]), schedule["chargingRateUnit"]) if periods else None


def leading(stored: list[Stored], purpose: str, at: datetime, begun: datetime | None) -> Any:  # noqa: ANN401
    """Return the limit and unit of the highest level of a purpose that counts."""
    found = [(e.level, limit) for e in stored if e.purpose == purpose
             and (limit := e.watts_or_amps(at, begun)) is not None]  # fmt: skip
    return max(found, key=lambda pair: pair[0])[1] if found else None


def allowed_amps(
    stored: list[Stored], at: datetime, begun: datetime | None, *, volts: float, phases: int
) -> float:
    """Return the current that all profiles together allow [A per phase]."""
    # A profile of the transaction counts before a default one, and the highest of the charge point
    # bounds both. A power flows on the phases that the vehicle uses.

    def amps(limit: tuple[float, str] | None) -> float:
        if limit is None:
            return UNBOUNDED
        return limit[0] if limit[1] == "A" else limit[0] / (volts * phases)

    charge = leading(stored, "TxProfile", at, begun) if begun is not None else None
    if charge is None:
        charge = leading(stored, "TxDefaultProfile", at, begun)
    return min(amps(charge), amps(leading(stored, "ChargePointMaxProfile", at, begun)))


def fault_of(profile: dict[str, Any], *, units: str, most_periods: int, levels: int) -> str | None:
    """Return why a box can't take a profile by its own limits."""
    schedule = profile["chargingSchedule"]
    periods = schedule["chargingSchedulePeriod"]
    if schedule["chargingRateUnit"] not in units:
        return "its unit"
    if not 1 <= len(periods) <= most_periods:
        return "its periods"
    if periods[0]["startPeriod"] != 0:
        return "its first period"
    starts = [each["startPeriod"] for each in periods]
    if starts != sorted(set(starts)) or any(each["limit"] < 0 for each in periods):
        return "its order"
    return "its level" if profile["stackLevel"] > levels else None
