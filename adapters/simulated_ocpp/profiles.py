"""The charging profiles that equipment stores, and the current that they allow.

OCPP 1.6, sections 3.13 and 7.8 to 7.13. Knows no connection and no clock.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, Final

OF_CHARGE_POINT: Final = "ChargePointMaxProfile"
OF_ANY_TRANSACTION: Final = "TxDefaultProfile"
OF_TRANSACTION: Final = "TxProfile"


@dataclass(frozen=True, slots=True)
class Profile:
    """A charging profile.

    Attributes
    ----------
    number, level
        Its id, and its stack level.
    purpose
        What it bounds.
    since
        When its schedule begins; None for when the transaction begins.
    until
        When it ends; None for never.
    steps
        Seconds after the beginning, each with the current from then on [A per phase].
    phases
        On how many phases, if it says so.
    """

    number: int
    level: int
    purpose: str
    since: datetime | None
    until: datetime | None
    steps: tuple[tuple[float, float], ...]
    phases: int | None = None

    def amps_at(self, instant: datetime, begun: datetime | None) -> float | None:
        """Return the current that it allows; None if it says nothing of the instant."""
        since = self.since or begun
        if since is None or instant < since or (self.until is not None and instant >= self.until):
            return None
        passed = (instant - since).total_seconds()
        return next((amps for at, amps in reversed(self.steps) if at <= passed), None)

    def changes(self, begun: datetime | None) -> list[datetime]:
        """List the instants at which it may allow another current."""
        since = self.since or begun
        steps = [] if since is None else [since + timedelta(seconds=at) for at, _ in self.steps]
        return [*steps, *([] if self.until is None else [self.until])]


def profile_of(body: Mapping[str, Any], watts_per_amp: float) -> Profile:
    """Read a charging profile as it comes in a request.

    Parameters
    ----------
    body
        The standard's `ChargingProfile`, its keys in Python's way.
    watts_per_amp
        Power of each ampere [W]; for limits in watts.

    Returns
    -------
    Profile
        With all limits in amperes.
    """
    schedule = body["charging_schedule"]
    factor = watts_per_amp if schedule["charging_rate_unit"] == "W" else 1.0
    since = _instant(schedule.get("start_schedule"))
    ends = [_instant(body.get("valid_to"))]
    if since is not None and schedule.get("duration") is not None:
        ends.append(since + timedelta(seconds=schedule["duration"]))
    return Profile(
        number=body["charging_profile_id"],
        level=body["stack_level"],
        purpose=str(body["charging_profile_purpose"]),
        since=since,
        until=min((each for each in ends if each is not None), default=None),
        steps=tuple(
            (float(each["start_period"]), float(each["limit"]) / factor)
            for each in schedule["charging_schedule_period"]
        ),
        phases=schedule["charging_schedule_period"][0].get("number_phases"),
    )


class StoredProfiles:
    """The profiles in a charge point's memory."""

    def __init__(self) -> None:
        self._stored: list[Profile] = []

    @property
    def phases(self) -> int | None:
        """On how many phases the transaction's profile lets it charge; None if it does not say."""
        own = (each for each in self._stored if each.purpose == OF_TRANSACTION)
        return next((each.phases for each in own), None)

    def store(self, profile: Profile) -> None:
        """Store a profile in place of one with its id, or with its purpose and level."""
        self._stored = [
            each
            for each in self._stored
            if each.number != profile.number
            and (each.purpose, each.level) != (profile.purpose, profile.level)
        ]
        self._stored.append(profile)

    def clear(self, number: int | None, purpose: str | None, level: int | None) -> bool:
        """Clear the profiles that match; whether there were any."""
        kept = [
            each
            for each in self._stored
            if number not in {None, each.number}
            or purpose not in {None, each.purpose}
            or level not in {None, each.level}
        ]
        found, self._stored = len(kept) < len(self._stored), kept
        return found

    def amps_at(self, instant: datetime, begun: datetime | None, most_amps: float) -> float:
        """Return the current that all of them together allow [A per phase]."""
        own = self._of(OF_TRANSACTION, instant, begun)
        own = self._of(OF_ANY_TRANSACTION, instant, begun) if own is None else own
        most = self._of(OF_CHARGE_POINT, instant, begun)
        return min(each for each in (own, most, most_amps) if each is not None)

    def next_change(self, instant: datetime, begun: datetime | None) -> datetime | None:
        """Return when they may next allow another current; None for never."""
        changes = (at for each in self._stored for at in each.changes(begun) if at > instant)
        return min(changes, default=None)

    def _of(self, purpose: str, instant: datetime, begun: datetime | None) -> float | None:
        levels = sorted(self._stored, key=lambda each: each.level, reverse=True)
        allowed = (each.amps_at(instant, begun) for each in levels if each.purpose == purpose)
        return next((amps for amps in allowed if amps is not None), None)


def _instant(text: str | None) -> datetime | None:
    return None if text is None else datetime.fromisoformat(text).astimezone(UTC)
