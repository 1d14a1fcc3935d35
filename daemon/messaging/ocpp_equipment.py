"""Connect OCPP equipment to the daemon: its messages in, commands out.

The OCPP server waits until each message is stored, so that equipment gets its answer only then.
"""

from __future__ import annotations

from dataclasses import replace
from threading import Condition, Event
from typing import TYPE_CHECKING

import structlog

from adapters.contract.messages import GridPower, HomeLoad, Reading, VehicleReport
from adapters.ocpp.server import OcppServer
from adapters.ocpp_point.events import (
    CallRefused,
    ChargingLimitNoticed,
    EquipmentConnected,
    EquipmentDisconnected,
    EquipmentReady,
    EquipmentTrouble,
)
from adapters.ocpp_point.point import equipment_of
from adapters.ocpp_point.remembered import remembered_at
from config.files.errors import BusError
from config.files.secret_files import read_password
from daemon.control.events import EquipmentHealth, HouseholdHealth
from daemon.grid_limit.notice import limit_event
from daemon.messaging.incoming import (
    ChannelReady,
    HardwareReport,
    HealthReport,
    HomeReport,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from datetime import datetime
    from pathlib import Path

    from adapters.clocks.clock import Clock
    from adapters.contract.current_period import CurrentPeriod
    from adapters.contract.messages import Command
    from adapters.ocpp.command_sender import Patience
    from adapters.ocpp_point.events import EquipmentEvent, OnEquipmentEvent
    from config.household.household_file import HouseholdFile
    from daemon.messaging.incoming import Incoming

_log = structlog.get_logger(__name__)

STORED_SECONDS = 10.0
"""How long the loop may take to store a message of equipment."""


class OcppChannel:
    """Sends commands and plans to one charge point, which stores its plan.

    Parameters
    ----------
    server
        The server it connects to.
    charge_point
        Its name in the household file.
    """

    stores_plan = True

    def __init__(self, server: OcppServer, charge_point: str) -> None:
        self._server = server
        self._charge_point = charge_point

    def send(
        self,
        command: Command,
        periods: Sequence[CurrentPeriod],
        now: datetime,  # noqa: ARG002 - the server has a clock
    ) -> None:
        """Send the command in force and the plan, if the equipment is connected."""
        self._server.send(self._charge_point, command, periods)

    def next_repeat(self) -> datetime | None:
        """Return None: the command is sent again whenever the equipment connects."""
        return None


class EquipmentMessages:
    """Passes the events of equipment to the daemon, one at a time.

    Parameters
    ----------
    post
        Puts events into the daemon's queue.
    clock
        The daemon's.
    volts
        Line to neutral [V].
    """

    def __init__(
        self, post: Callable[[Incoming], None], clock: Clock, *, volts: float = 230.0
    ) -> None:
        self._post = post
        self._clock = clock
        self._volts = volts
        self._changed = Condition()
        self._has_ended = False

    def receive(self, charge_point: str, event: EquipmentEvent) -> None:
        """Pass an event on, and wait until a message is stored.

        Parameters
        ----------
        charge_point
            Its name in the household file.
        event
            What has happened.

        Raises
        ------
        BusError
            If a message is not stored; then equipment repeats it.
        """  # noqa: DOC502 - raised below
        match event:
            case Reading() | VehicleReport():
                self._store(charge_point, event)
            case HomeLoad() | GridPower():
                self._post(HomeReport(event))
            case EquipmentReady():
                self._post(ChannelReady(charge_point))
            case ChargingLimitNoticed():
                self._take_limit(event)
            case EquipmentTrouble(_, code, trouble):
                self._post(HealthReport(charge_point, EquipmentHealth(code, trouble)))
            case EquipmentConnected() | EquipmentDisconnected() | CallRefused():
                _log_event(charge_point, event)

    def end(self) -> None:
        """Wait for nothing any more: the daemon's loop has ended and stores nothing."""
        with self._changed:
            self._has_ended = True
            self._changed.notify_all()

    def _take_limit(self, noticed: ChargingLimitNoticed) -> None:
        heard = limit_event(noticed, self._clock.now(), volts=self._volts)
        if heard is None:
            _log.info(
                "equipment is limited by others, and does not say how much",
                charge_point=noticed.charge_point, source=noticed.source,
            )  # fmt: skip
        else:
            self._post(heard)

    def _store(self, charge_point: str, message: Reading | VehicleReport) -> None:
        answers: list[bool] = []

        def confirm(is_stored: bool) -> None:  # noqa: FBT001 - its only argument
            with self._changed:
                answers.append(is_stored)
                self._changed.notify_all()

        self._post(HardwareReport(charge_point, message, confirm))
        with self._changed:
            self._changed.wait_for(lambda: answers or self._has_ended, STORED_SECONDS)
            if answers != [True]:
                raise BusError(f"a message from {charge_point} could not be stored")


def _log_event(
    charge_point: str, event: EquipmentConnected | EquipmentDisconnected | CallRefused
) -> None:
    match event:
        case EquipmentConnected():
            _log.info("connected by OCPP", charge_point=charge_point)
        case EquipmentDisconnected():
            _log.warning("no longer connected by OCPP", charge_point=charge_point)
        case CallRefused(_, call, reason):
            _log.warning(
                "equipment refuses a command",
                charge_point=charge_point, call=call, reason=reason,
            )  # fmt: skip


class OcppEquipment:
    """The OCPP server of the daemon, and the messages in both directions.

    Parameters
    ----------
    file
        A household with `ocpp`.
    clock
        The daemon's.
    post
        Puts events into the daemon's queue.
    patience
        How long to wait for equipment; by default as the OCPP server does.
    registers_wh : mapping of str to float, optional
        The last register of each charge point [Wh].
    """

    def __init__(
        self,
        file: HouseholdFile,
        clock: Clock,
        post: Callable[[Incoming], None],
        patience: Patience | None = None,
        registers_wh: Mapping[str, float] | None = None,
    ) -> None:
        self._file = file
        self._messages = EquipmentMessages(post, clock, volts=file.household.nominal_volts)
        self._is_open = Event()
        self._is_reported = False
        self._equipment = equipment_of(file)
        self._server = ocpp_server_of(
            file, self._messages.receive, clock, patience=patience, is_open=self._is_open.is_set,
            registers_wh=registers_wh,
        )  # fmt: skip

    def channel(self, charge_point: str) -> OcppChannel:
        """Return the channel of a charge point."""
        return OcppChannel(self._server, charge_point)

    def start(self) -> None:
        """Start to listen.

        Raises
        ------
        BusError
            If it can't, or the extra is not installed.
        FileError
            If a password, or the key of the certificate, can't be read or may be read by others.
        """  # noqa: DOC502 - raised by the parts
        ocpp = self._file.ocpp
        if ocpp is None:
            raise BusError("the household file has no ocpp")
        for each in self._equipment:
            if each.password_file is not None:
                read_password(each.password_file)
        port = self._server.start(ocpp.host, ocpp.port)
        _log.info("listening for OCPP", host=ocpp.host, port=port)

    def accept_connections(self) -> None:
        """Let equipment connect, now that the clock that it takes its time from is right."""
        self._is_open.set()

    def news(self) -> HouseholdHealth | None:
        """Report, once, that passwords are being guessed, or that it is over."""
        alarm = self._server.alarm
        if (alarm is not None) == self._is_reported:
            return None
        self._is_reported = alarm is not None
        return HouseholdHealth("wrong-passwords", alarm)

    def stop(self) -> None:
        """Close all connections; equipment goes on with the plan that it stores."""
        self._messages.end()
        self._server.stop()


def ocpp_server_of(
    file: HouseholdFile,
    on_event: OnEquipmentEvent,
    clock: Clock,
    *,
    patience: Patience | None = None,
    is_open: Callable[[], bool] = lambda: True,
    keeps_profiles: bool = True,
    registers_wh: Mapping[str, float] | None = None,
) -> OcppServer:
    """Return a server for the OCPP equipment of a household, which does not listen yet.

    Parameters
    ----------
    file : HouseholdFile
        A household with `ocpp`.
    on_event : callable
        Takes each event of equipment.
    clock : Clock
        What time it is.
    patience : Patience, optional
        How long to wait for equipment.
    is_open : callable, optional
        Whether equipment may connect yet.
    keeps_profiles : bool, optional
        Whether profiles are to stay in equipment.
    registers_wh : mapping of str to float, optional
        The last register of each charge point [Wh].

    Returns
    -------
    OcppServer
        With what is remembered of the equipment beside the ledger.
    """
    equipment = [
        replace(each, register_wh=(registers_wh or {}).get(each.name))
        for each in equipment_of(file)
    ]
    return OcppServer(
        equipment,
        on_event,
        clock=clock,
        certificate=_certificate(file),
        is_open=is_open,
        client_ca=file.ocpp.client_ca_file if file.ocpp is not None else None,
        remembered_at=remembered_at(file.ledger.path),
        patience=patience,
        keeps_profiles=keeps_profiles,
    )


def _certificate(file: HouseholdFile) -> tuple[Path, Path] | None:
    ocpp = file.ocpp
    if ocpp is None or ocpp.certificate_file is None or ocpp.key_file is None:
        return None
    return ocpp.certificate_file, ocpp.key_file
