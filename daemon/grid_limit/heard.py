"""The event by which a limit of the grid operator comes in, whichever way."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from adapters.contract.messages import GridLimit, MalformedMessage, decode
from config.home.grid_limit import LimitInForce
from daemon.control.learning import AHEAD

if TYPE_CHECKING:
    from datetime import datetime

BUS = "bus"
CONTACT = "contact"


@dataclass(frozen=True, slots=True)
class LimitHeard:
    """The grid operator has set a limit, or lifted it. Post it to the daemon's loop.

    Attributes
    ----------
    source : str
        Where it came from: each source has one limit at a time, and the lowest of all holds.
    limit : LimitInForce or None
        The limit; None if it is lifted.
    issued : datetime or None
        When it was issued, by its sender's clock: an earlier one than the last is ignored. None if
        the sender gives no instant; then the last that arrives counts.
    """

    source: str
    limit: LimitInForce | None
    issued: datetime | None = None


def heard_from(source: str, message: GridLimit, *, is_dated: bool = True) -> LimitHeard:
    """Return the event of a message.

    Parameters
    ----------
    source : str
        Where it came from.
    message : GridLimit
        The limit, or its end.
    is_dated : bool
        Whether its instant is that of the sender, and not of its arrival.

    Returns
    -------
    LimitHeard
        For the daemon's loop.
    """
    limit = LimitInForce(message.kw, message.amps, message.until)
    return LimitHeard(source, None if message.lifted else limit, message.at if is_dated else None)


def limit_of(payload: bytes, now: datetime) -> LimitHeard:
    """Read a message of the bus.

    Parameters
    ----------
    payload : bytes
        A limit, or its end; an empty one is the end as well.
    now : datetime
        UTC.

    Returns
    -------
    LimitHeard
        The event.

    Raises
    ------
    MalformedMessage
        If it can't be understood, or was issued in the future: it would hide later ones.
    """
    if not payload:
        return LimitHeard(BUS, None)
    limit = decode(GridLimit, payload)
    if limit.at > now + AHEAD:
        raise MalformedMessage("at: expected no instant that is still to come")
    return heard_from(BUS, limit)
