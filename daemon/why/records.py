"""Read the ledger's rows of one night at one charge point. Interprets nothing.

`history` derives spans from them; `explanation` and `story` are made from both.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta
from typing import TYPE_CHECKING, Any

from config.files.errors import TariffError
from daemon.control.alerts import ALERTS
from daemon.control.nightbook import stays_until
from daemon.control.state import vehicles_of
from daemon.nights.account import counted_from, night_record
from daemon.nights.metered import Meter, night_meters, read_meter
from daemon.nights.recount import facts_again, facts_unseen
from daemon.nights.saved_state import read_saved
from planners.local_time.departures import night_bounds

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date, datetime

    from adapters.ledger.reader import LedgerReader
    from adapters.ledger.rows import (
        StoredAlert,
        StoredCommand,
        StoredGridLimit,
        StoredHappening,
        StoredPlan,
        StoredReading,
        StoredReport,
        StoredRequest,
    )
    from daemon.control.events import NightFacts
    from daemon.control.state import House, OpenNight

HELD_FOR = timedelta(days=60)
"""An alert is raised only once while it holds, so one this old may still explain a night."""

ASKED_BEFORE = timedelta(days=14)
"""Older requests are forgotten (`daemon.service.recovery`)."""


@dataclass(frozen=True, slots=True)
class Night:
    """The rows of one night at one charge point, each kind in the order of time.

    Attributes
    ----------
    night : date
        The local date on which it begins.
    charge_point, vehicle : str
        Their names in the household file.
    begins, ends, upto : datetime
        UTC; `upto` is the end, or now if that is earlier.
    command_before : StoredCommand or None
        The last command before it.
    commands, reports, alerts, happenings : tuple
        Of this night.
    plan_before : StoredPlan or None
        The last plan before it.
    plans : tuple of StoredPlan
        Of this night.
    pilot_before : StoredReport or None
        The last pilot state before it.
    requests, earlier_requests : tuple of StoredRequest
        Of this night, and of the days before it.
    earlier_alerts : tuple of StoredAlert
        Of the weeks before it: an alert that still holds is not raised again.
    start_or_end_before : StoredHappening or None
        The daemon's last start or end before it.
    recorded_before : tuple of datetime or None
        For each happening that is a start of the daemon: the last instant that was recorded before
        it.
    grid_limits : tuple of StoredGridLimit
        Limits of the grid operator that came or ended in it.
    meter : Meter
        The register, from a day earlier.
    latest : StoredReading or None
        The meter's latest reading, of this night or later.
    record : dict or None
        The night's account, final or so far; None if no rate is known.
    closed : bool
        Whether the night was closed.
    open : OpenNight or None
        What the daemon keeps of it while it is in progress.
    kept_whole : bool
        Whether its readings, reports and plans are still kept.
    """

    night: date
    charge_point: str
    vehicle: str
    begins: datetime
    ends: datetime
    upto: datetime
    command_before: StoredCommand | None
    commands: tuple[StoredCommand, ...]
    plan_before: StoredPlan | None
    plans: tuple[StoredPlan, ...]
    pilot_before: StoredReport | None
    reports: tuple[StoredReport, ...]
    earlier_requests: tuple[StoredRequest, ...]
    requests: tuple[StoredRequest, ...]
    earlier_alerts: tuple[StoredAlert, ...]
    alerts: tuple[StoredAlert, ...]
    start_or_end_before: StoredHappening | None
    happenings: tuple[StoredHappening, ...]
    recorded_before: tuple[datetime | None, ...]
    grid_limits: tuple[StoredGridLimit, ...]
    meter: Meter
    latest: StoredReading | None
    record: dict[str, Any] | None
    closed: bool
    open: OpenNight | None
    kept_whole: bool

    @property
    def is_over(self) -> bool:
        """Whether its end has come."""
        return self.upto >= self.ends

    @property
    def energy_wh(self) -> int:
        """Energy through the meter [Wh], from the record or from the readings."""
        if self.record is not None:
            return _wh(self.record)
        return self.meter.between(self.begins, self.upto)[0]


def read_night(
    house: House, ledger: LedgerReader, charge_point: str, night: date, now: datetime
) -> Night:
    """Read what the ledger holds of a night.

    Parameters
    ----------
    house : House
        The household file and the rates known now.
    ledger : LedgerReader
        Its ledger.
    charge_point : str
        Its name in the file.
    night : date
        The local date on which the night begins.
    now : datetime
        UTC.

    Returns
    -------
    Night
        Up to now, if it is in progress.

    Raises
    ------
    LedgerError
        If it can't be read.
    """  # noqa: DOC502 - raised by the ledger
    begins, ends = night_bounds(night, house.file.days)
    upto = max(begins, min(now, ends))
    points = list(house.file.charge_points)
    asked = ledger.requests_since(charge_point, begins - ASKED_BEFORE)
    alerts = _alerts_of(ledger.alerts_between(begins - HELD_FOR, upto), charge_point)
    happenings = ledger.happenings_between(begins, upto)
    is_open = _open_night(ledger, charge_point, night)
    meter = read_meter(house, ledger, charge_point, begins, upto)
    kept_from = ledger.kept_from()
    kept_whole = kept_from is None or kept_from <= begins
    closed = next(iter(ledger.nights(night, night, charge_point)), None)
    facts = _facts(house, charge_point, night, is_open, upto)
    if closed is not None and kept_whole and _wh(closed) != meter.between(begins, upto)[0]:
        # It was closed at the departure, and power has flowed since.
        if is_open is None:
            facts = replace(facts_again(closed, house.file), closed_at=upto)
        closed = None
    record = closed or _account(house, ledger, facts)
    return Night(
        night=night,
        charge_point=charge_point,
        vehicle=_vehicle(house, charge_point, record, is_open),
        begins=begins,
        ends=ends,
        upto=upto,
        command_before=ledger.command_before(charge_point, begins),
        commands=ledger.commands_between(charge_point, begins, upto),
        plan_before=ledger.plan_before(charge_point, begins),
        plans=ledger.plans_between(charge_point, begins, upto),
        pilot_before=ledger.pilot_before(charge_point, begins),
        reports=ledger.reports_between(charge_point, begins, upto),
        earlier_requests=tuple(each for each in asked if each.at < begins),
        requests=tuple(each for each in asked if begins <= each.at < upto),
        earlier_alerts=tuple(each for each in alerts if each.at < begins),
        alerts=tuple(each for each in alerts if each.at >= begins),
        start_or_end_before=ledger.last_happening(("started", "ended"), begins),
        happenings=happenings,
        recorded_before=tuple(
            ledger.last_written(points, each.at) if each.what == "started" else None
            for each in happenings
        ),
        grid_limits=tuple(
            each for each in ledger.grid_limits(begins, upto) if each.what != "obeyed"
        ),
        meter=meter,
        latest=ledger.last_reading(charge_point),
        record=record,
        closed=closed is not None,
        open=is_open,
        kept_whole=kept_whole,
    )


def _wh(record: dict[str, Any]) -> int:
    return int(1000 * record["energy_kwh"])  # a Decimal with three places


def _alerts_of(alerts: Sequence[StoredAlert], charge_point: str) -> list[StoredAlert]:
    return [
        alert
        for alert in alerts
        if alert.charge_point in {None, charge_point}
        or (alert.code in ALERTS and ALERTS[alert.code].of_household)
    ]


def _open_night(ledger: LedgerReader, charge_point: str, night: date) -> OpenNight | None:
    body = ledger.open_night(charge_point)
    open_night = read_saved(body).night if body is not None else None
    return open_night if open_night is not None and open_night.night == night else None


def _vehicle(
    house: House, charge_point: str, record: dict[str, Any] | None, is_open: OpenNight | None
) -> str:
    if is_open is not None:
        return is_open.vehicle
    named = record["vehicle"] if record is not None else ""
    return named or next(iter(vehicles_of(house.file, charge_point)), "")


def _account(house: House, ledger: LedgerReader, facts: NightFacts) -> dict[str, Any] | None:
    """Account for a night that was not closed, so far; None if no rate is known."""
    try:
        since = counted_from(house, facts)
        return night_record(house, facts, night_meters(house, ledger, facts, since))
    except TariffError:
        return None


def _facts(
    house: House, charge_point: str, night: date, is_open: OpenNight | None, upto: datetime
) -> NightFacts:
    vehicle = next(iter(vehicles_of(house.file, charge_point)), "")
    facts = replace(facts_unseen(night, charge_point, vehicle, house.file), closed_at=upto)
    if is_open is None:
        return facts
    lowered = None if is_open.lowered is None else is_open.lowered.ended(upto)
    return replace(facts, stays=stays_until(is_open, upto), lowered=lowered)
