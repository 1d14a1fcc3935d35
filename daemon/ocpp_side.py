"""Equipment that speaks OCPP as one more way to be a charge point: what it says, what it is told.

The OCPP server hands on what it hears and waits until that is kept, so that equipment has its
answer only then.
"""

from __future__ import annotations

from threading import Event
from typing import TYPE_CHECKING

import structlog

from adapters.messages import Reading, VehicleReport
from adapters.ocpp_events import Connected, Disconnected, Ready, Refused
from adapters.ocpp_point import equipment_of
from config.errors import BusError, UsageError
from daemon.incoming import HardwareSaid, LineUp

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import datetime

    from adapters.clock import Clock
    from adapters.lines import PlannedPeriod
    from adapters.messages import Command
    from adapters.ocpp_events import Heard
    from adapters.ocpp_server import OcppServer
    from config import HouseholdFile
    from daemon.incoming import Incoming

_log = structlog.get_logger(__name__)

KEPT_SECONDS = 10.0
"""How long the loop may take to keep what equipment says."""


class OcppLine:
    """The way to one charge point.

    Parameters
    ----------
    server
        Where it connects.
    charge_point
        Its name in the household file.
    """

    def __init__(self, server: OcppServer, charge_point: str) -> None:
        self._server = server
        self._charge_point = charge_point

    def tell(
        self,
        command: Command,
        periods: Sequence[PlannedPeriod],
        now: datetime,  # noqa: ARG002 - the server has a clock
    ) -> None:
        """Tell it what is in force and what is planned, if it is connected."""
        self._server.tell(self._charge_point, command, periods)

    def next_due(self) -> datetime | None:
        """Nothing is forgotten: it is told again each time it connects."""
        return None


class OcppSide:
    """The server, and what goes to and fro.

    Parameters
    ----------
    file
        A household with `ocpp`.
    server
        Made for its equipment; hands on to `heard`.
    """

    def __init__(self, file: HouseholdFile, server: OcppServer) -> None:
        self._file = file
        self._server = server

    def line(self, charge_point: str) -> OcppLine:
        """Return the way to a charge point."""
        return OcppLine(self._server, charge_point)

    def start(self) -> None:
        """Begin to listen.

        Raises
        ------
        BusError
            If it can't.
        """
        ocpp = self._file.ocpp
        if ocpp is None:
            raise BusError("the household file has no ocpp")
        port = self._server.start(ocpp.host, ocpp.port)
        _log.info("listening for OCPP 1.6J", host=ocpp.host, port=port)

    def stop(self) -> None:
        """Close all connections."""
        self._server.stop()


def hear(charge_point: str, heard: Heard, post: Callable[[Incoming], None]) -> None:
    """Hand on what was heard; on the server's thread.

    Parameters
    ----------
    charge_point
        Its name in the household file.
    heard
        What was heard of it.
    post
        Puts events into the daemon's queue.

    Raises
    ------
    BusError
        If it is not kept; then equipment says it again.
    """  # noqa: DOC502 - raised below
    match heard:
        case Reading() | VehicleReport():
            _keep(charge_point, heard, post)
        case Ready():
            post(LineUp(charge_point))
        case Connected():
            _log.info("connected by OCPP", charge_point=charge_point)
        case Disconnected():
            _log.warning("no longer connected by OCPP", charge_point=charge_point)
        case Refused(_, what, why):
            _log.warning("equipment refuses", charge_point=charge_point, what=what, why=why)


def _keep(
    charge_point: str, said: Reading | VehicleReport, post: Callable[[Incoming], None]
) -> None:
    done, kept = Event(), [False]

    def tell(is_kept: bool) -> None:  # noqa: FBT001 - the one thing it is told
        kept[0] = is_kept
        done.set()

    post(HardwareSaid(charge_point, said, tell))
    if not done.wait(KEPT_SECONDS) or not kept[0]:
        raise BusError(f"what {charge_point} says could not be kept")


def ocpp_side(file: HouseholdFile, clock: Clock, post: Callable[[Incoming], None]) -> OcppSide:
    """Make the OCPP side of a household.

    Parameters
    ----------
    file
        A household with `ocpp`.
    clock
        The daemon's.
    post
        Puts events into the daemon's queue.

    Returns
    -------
    OcppSide
        Not listening yet.

    Raises
    ------
    UsageError
        If the extra `ocpp` is not installed.
    """
    try:
        from adapters.ocpp_server import OcppServer  # noqa: PLC0415 - an extra, for those who use it
    except ImportError as error:
        raise UsageError(
            "the household file has ocpp, which needs the extra: pip install 'lullwatt[ocpp]'"
        ) from error
    ocpp = file.ocpp
    files = (ocpp.certificate_file, ocpp.key_file) if ocpp else (None, None)
    certificate = (files[0], files[1]) if files[0] and files[1] else None
    server = OcppServer(
        equipment_of(file),
        lambda point, heard: hear(point, heard, post),
        clock=clock,
        certificate=certificate,
    )
    return OcppSide(file, server)
