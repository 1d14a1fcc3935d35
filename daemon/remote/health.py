"""Read what a running daemon reports, and judge whether it is well."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING, Any

from adapters.contract.messages import (
    AnyMessage,
    DaemonState,
    MalformedMessage,
    Status,
    decode,
)
from adapters.contract.topics import Topics
from config.files.errors import UnwellError
from daemon.presentation.figures import local_time
from daemon.remote.conversation import RETAINED_SECONDS, Conversation, why_not_running

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping
    from datetime import datetime

    from config.household.household_file import HouseholdFile


@dataclass(frozen=True, slots=True)
class PointReport:
    """The last status of one charge point, and its plan as JSON values."""

    status: Status | None = None
    plan: dict[str, Any] | None = None


@dataclass(frozen=True, slots=True)
class Report:
    """The last messages of a daemon, as the broker retained them.

    Attributes
    ----------
    points : mapping of str to PointReport
        By charge point, in the order of the file.
    daemon : DaemonState or None
        Its report on whether it runs.
    no_broker : str or None
        Why the broker could not be reached; None if it was.
    ahead : timedelta
        How far the daemon's clock is ahead of the reader's, if that is known.
    """

    points: Mapping[str, PointReport]
    daemon: DaemonState | None = None
    no_broker: str | None = None
    ahead: timedelta = timedelta()


def read_report(file: HouseholdFile, wait_seconds: float) -> Report:
    """Read the daemon's retained messages from the broker.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    wait_seconds : float
        Longest time to wait for the broker [s].

    Returns
    -------
    Report
        Whatever the broker has.
    """
    with Conversation(file, "looks-on", ("status", "plan"), wait_seconds) as talk:
        try:
            talk.connect()
        except UnwellError as error:
            return Report({name: PointReport() for name in file.charge_points}, None, str(error))
        talk.wait(lambda: _is_complete(report_of(file, talk.last)), RETAINED_SECONDS)
        return report_of(file, talk.last)


def report_of(file: HouseholdFile, last: Callable[[str], bytes | None]) -> Report:
    """Read a report from the last payload of each topic; what can't be read is left out."""
    topics = Topics.of_file(file)
    points = {
        name: _point(last(topics.status(name)), last(topics.plan(name)))
        for name in file.charge_points
    }
    return Report(points, _read(DaemonState, last(topics.daemon)))


def _is_complete(report: Report) -> bool:
    return report.daemon is not None and all(
        point.status is not None and (point.status.plan is None or point.plan is not None)
        for point in report.points.values()
    )


def _point(status: bytes | None, plan: bytes | None) -> PointReport:
    try:
        planned = json.loads(plan) if plan else None
    except ValueError:
        planned = None
    return PointReport(_read(Status, status), planned if isinstance(planned, dict) else None)


def _read(model: type[AnyMessage], payload: bytes | None) -> AnyMessage | None:
    try:
        return decode(model, payload) if payload else None
    except MalformedMessage:
        return None


def faults_of(
    report: Report, file: HouseholdFile, now: datetime, *, only_alive: bool = False
) -> tuple[str, ...]:
    """List everything that is wrong, in one line each.

    Parameters
    ----------
    report : Report
        The last messages of the daemon.
    file : HouseholdFile
        The household.
    now : datetime
        UTC.
    only_alive : bool
        Whether to check only that the daemon runs.

    Returns
    -------
    tuple of str
        Empty if all is well. If the daemon does not run, that is the only fault.
    """
    absent = report.no_broker or why_not_running(report.daemon, file, now)
    if absent is not None:
        return (absent,)
    if only_alive:
        return ()
    return tuple(fault for name in report.points for fault in _faults_at(name, report, file, now))


def _faults_at(name: str, report: Report, file: HouseholdFile, now: datetime) -> Iterator[str]:
    status = report.points[name].status
    if status is None:
        yield f"{name}: its status is missing"
    elif now > status.stale_after:
        at = local_time(status.at, file.zone, "%a %d %b %H:%M")
        yield f"{name}: its status is old, from {at}"
    elif status.alerts:
        yield f"{name}: {', '.join(status.alerts)}"


def document(report: Report, file: HouseholdFile, faults: tuple[str, ...]) -> dict[str, Any]:
    """Make the JSON document of a report and its faults."""
    return {
        "household": file.household.name,
        "well": not faults,
        "faults": list(faults),
        "daemon": _json(report.daemon),
        "charge_points": {
            name: {"status": _json(point.status), "plan": point.plan}
            for name, point in report.points.items()
        },
    }


def _json(message: DaemonState | Status | None) -> dict[str, Any] | None:
    return None if message is None else message.model_dump(mode="json", exclude_none=True)
