"""Read and command charge points that speak OCPP, without the daemon.

They connect to this process as they would to the daemon. The ledger's lock keeps a daemon from
starting meanwhile, and the ledger gives the serials.
"""

from __future__ import annotations

from contextlib import suppress
from threading import Condition
from time import monotonic
from typing import TYPE_CHECKING, Literal, Self

from adapters.contract.messages import Command, Reading, VehicleReport
from adapters.ocpp_point.events import CallRefused, EquipmentReady, EquipmentTrouble
from config.files.errors import UnwellError
from daemon.messaging.ocpp_equipment import ocpp_server_of
from daemon.trial.exercise import LatestValues
from daemon.trial.trial import EXPIRES_AFTER, INTERRUPTED, in_words, last_serial

if TYPE_CHECKING:
    from collections.abc import Callable
    from types import TracebackType

    from adapters.clocks.clock import Clock
    from adapters.ledger.ledger import Ledger
    from adapters.ocpp_point.events import EquipmentEvent
    from config.household.household_file import HouseholdFile

STOPS_SECONDS = 60.0
"""How long equipment may take to accept the last stop."""
RELEASES_SECONDS = 120.0
"""How long equipment may take to clear its profiles."""
LOOKS_EVERY_SECONDS = 0.2


class OcppTrial:
    """A server that charge points connect to, in place of the daemon.

    Parameters
    ----------
    file : HouseholdFile
        A household with `ocpp`.
    clock : Clock
        What time it is.
    say : callable
        Takes a line of text for each message. It may fail: the terminal may be gone.
    charge_point : str
        The one that is commanded and whose messages are said.
    ledger : Ledger, optional
        Where commands are recorded; without it none can be sent.
    """

    def __init__(
        self,
        file: HouseholdFile,
        clock: Clock,
        say: Callable[[str], None],
        *,
        charge_point: str,
        ledger: Ledger | None = None,
    ) -> None:
        self.latest = LatestValues()
        self._charge_point = charge_point
        self._clock = clock
        self._say = say
        self._ledger = ledger
        self._changed = Condition()
        self._ready: set[str] = set()
        self._is_ending = False
        self._serial = last_serial(ledger, charge_point, clock.now())
        self._has_commanded = False
        self._server = ocpp_server_of(
            file, self._on_event, clock, keeps_profiles=ledger is not None
        )
        ocpp = file.ocpp
        assert ocpp is not None  # noqa: S101 - the command looks
        self._address = (ocpp.host, ocpp.port)

    def __enter__(self) -> Self:
        self._server.start(*self._address)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        until = monotonic() + STOPS_SECONDS
        while self._has_commanded and self._is_pending and monotonic() < until:
            with self._changed:
                self._changed.wait(LOOKS_EVERY_SECONDS)
        self._server.stop()

    @property
    def _is_pending(self) -> bool:
        """Whether the last command has not been accepted, by equipment that is connected."""
        is_connected = self._charge_point in self._server.ready
        return is_connected and not self._server.has_accepted(self._charge_point, self._serial)

    def connected(self, charge_point: str, seconds: float) -> bool:
        """Wait until a charge point has connected; return whether it has."""
        with self._changed:
            self._changed.wait_for(lambda: self._is_ending or charge_point in self._ready, seconds)
            if self._is_ending:
                raise UnwellError(INTERRUPTED)
            return charge_point in self._ready

    def release(self, charge_point: str) -> tuple[str, ...] | None:
        """Clear its charging profiles; return what is left of them, or None if it is gone."""
        return self._server.release(charge_point, RELEASES_SECONDS)

    def command(self, do: Literal["start", "stop"], amps: float | None) -> None:
        """Command it to start at a current [A], or to stop; recorded like any command."""
        if self._ledger is None:
            raise RuntimeError("no command can be sent without a ledger")
        now = self._clock.now()
        self._serial += 1
        command = Command(
            serial=self._serial, do=do, amps=amps, valid_until=now + EXPIRES_AFTER,
            why="a trial of the wiring",
        )  # fmt: skip
        self._ledger.add_command(self._charge_point, now, command)
        self._has_commanded = True
        self._server.send(self._charge_point, command)

    def wait(self, until: Callable[[LatestValues], bool], seconds: float) -> float | None:
        """Wait for a condition; return the seconds it took, or None after `seconds`."""
        begun = monotonic()
        with self._changed:
            came = self._changed.wait_for(lambda: self._is_ending or until(self.latest), seconds)
            if self._is_ending:
                raise UnwellError(INTERRUPTED)
        return monotonic() - begun if came else None

    def end(self) -> None:
        """End the trial: `wait` raises UnwellError. May be called from any thread."""
        with self._changed:
            self._is_ending = True
            self._changed.notify_all()

    def _on_event(self, charge_point: str, event: EquipmentEvent) -> None:
        """Take up an event, on a thread of the server."""
        words = None
        with self._changed:
            match event:
                case EquipmentReady():
                    self._ready.add(charge_point)
                    words = f"{charge_point} has connected"
                case Reading() | VehicleReport() if charge_point == self._charge_point:
                    self._note(event)
                    words = in_words(event)
                case CallRefused(_, call, reason):
                    words = f"{charge_point} refuses {call}: {reason}"
                case EquipmentTrouble(_, _, str(trouble)):
                    words = f"{charge_point}: {trouble}"
                case _:
                    pass
            self._changed.notify_all()
        if words:
            at = self._clock.now().astimezone()
            with suppress(OSError):  # the terminal may be gone
                self._say(f"{at:%H:%M:%S}  {words}")

    def _note(self, event: Reading | VehicleReport) -> None:
        latest = self.latest
        if isinstance(event, VehicleReport):
            latest.pilot = event.pilot or latest.pilot
            return
        latest.watts = latest.watts if event.watts is None else event.watts
        latest.register_kwh = event.register_kwh or latest.register_kwh
        latest.registers += event.register_kwh is not None
