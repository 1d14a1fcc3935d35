"""What a running daemon says of itself and its charge points, and whether that is well."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from adapters.contract.messages import DaemonState, MalformedMessage, Status, decode
from config.files.errors import UnwellError
from daemon.remote.conversation import RETAINED_SECONDS, Conversation, absence

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from datetime import datetime

    from config.household.household_file import HouseholdFile


@dataclass(frozen=True, slots=True)
class SeenPoint:
    """What is kept of one charge point: its status, and its plan as JSON values."""

    status: Status | None = None
    plan: dict[str, Any] | None = None


@dataclass(frozen=True, slots=True)
class Seen:
    """What the broker keeps of a daemon.

    Attributes
    ----------
    points : mapping of str to SeenPoint
        By charge point, in the order of the file.
    daemon : DaemonState or None
        Whether it runs.
    no_broker : str or None
        Why nothing could be seen.
    """

    points: Mapping[str, SeenPoint]
    daemon: DaemonState | None = None
    no_broker: str | None = None


def see(file: HouseholdFile, wait_seconds: float) -> Seen:
    """Read what the broker keeps.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    wait_seconds : float
        How long to wait for the broker.

    Returns
    -------
    Seen
        As much as there is.
    """
    with Conversation(file, "looks-on", ("status", "plan"), wait_seconds) as talk:
        try:
            talk.connect()
        except UnwellError as error:
            return Seen({name: SeenPoint() for name in file.charge_points}, None, str(error))
        talk.wait(lambda: _is_complete(talk, file), RETAINED_SECONDS)
        return Seen({name: _point(talk, name) for name in file.charge_points}, talk.daemon())


def _is_complete(talk: Conversation, file: HouseholdFile) -> bool:
    points = [_point(talk, name) for name in file.charge_points]
    return talk.daemon() is not None and all(
        point.status is not None and (point.status.plan is None or point.plan is not None)
        for point in points
    )


def _point(talk: Conversation, name: str) -> SeenPoint:
    status, plan = talk.last(talk.topics.status(name)), talk.last(talk.topics.plan(name))
    try:
        told = decode(Status, status) if status else None
    except MalformedMessage:
        told = None
    try:
        planned = json.loads(plan) if plan else None
    except ValueError:
        planned = None
    return SeenPoint(told, planned if isinstance(planned, dict) else None)


def faults_of(
    seen: Seen, file: HouseholdFile, now: datetime, *, only_alive: bool = False
) -> tuple[str, ...]:
    """Say what is not well.

    Parameters
    ----------
    seen : Seen
        What the broker keeps.
    file : HouseholdFile
        The household.
    now : datetime
        UTC.
    only_alive : bool
        Whether to pass over everything but whether the daemon runs.

    Returns
    -------
    tuple of str
        Nothing where all is well. A daemon that is not there is one fault, whatever else it left.
    """
    absent = seen.no_broker or absence(seen.daemon, file, now)
    if absent is not None:
        return (absent,)
    if only_alive:
        return ()
    return tuple(fault for name in seen.points for fault in _faults_at(name, seen, file, now))


def _faults_at(name: str, seen: Seen, file: HouseholdFile, now: datetime) -> Iterator[str]:
    status = seen.points[name].status
    if status is None:
        yield f"{name}: its status is missing"
    elif now > status.stale_after:
        yield f"{name}: its status is of {status.at.astimezone(file.zone):%a %d %b %H:%M}"
    elif status.alerts:
        yield f"{name}: {', '.join(status.alerts)}"


def document(seen: Seen, file: HouseholdFile, faults: tuple[str, ...]) -> dict[str, Any]:
    """Give all of it as JSON values."""
    return {
        "household": file.household.name,
        "well": not faults,
        "faults": list(faults),
        "daemon": _json(seen.daemon),
        "charge_points": {
            name: {"status": _json(point.status), "plan": point.plan}
            for name, point in seen.points.items()
        },
    }


def _json(message: DaemonState | Status | None) -> dict[str, Any] | None:
    return None if message is None else message.model_dump(mode="json", exclude_none=True)
