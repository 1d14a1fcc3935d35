"""Run an OCPP server (a central system) inside the daemon, on its own thread.

Its packages, ocpp and websockets, are an extra; they are imported only when a server is started.
"""

from __future__ import annotations

import asyncio
import ssl
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future
from pathlib import Path
from typing import TYPE_CHECKING, Final

from adapters.clocks.clock import Clock
from adapters.contract.current_period import CurrentPeriod
from adapters.contract.messages import Command
from adapters.host.serving_thread import ServingThread, why_not_listening
from adapters.ocpp_point.events import OnEquipmentEvent
from adapters.ocpp_point.point import Equipment
from adapters.ocpp_point.remembered import Remembered
from adapters.ocpp_point.transaction_numbers import transaction_ids_from
from config.files.errors import BusError, FileError
from config.files.secret_files import credential_or_file, refuse_open_key

if TYPE_CHECKING:
    from adapters.ocpp.command_sender import Patience
    from adapters.ocpp.connections import EquipmentConnections

STARTS_SECONDS: Final = 60.0
STOPS_SECONDS: Final = 10.0
_NOT_INSTALLED: Final = (
    "the household file has ocpp, which needs the extra: pip install 'lullwatt[ocpp]'"
)


class OcppServer:
    """Serves charge points that speak OCPP 1.6J, 2.0.1 or 2.1.

    Parameters
    ----------
    equipment
        Who may connect.
    on_event
        Takes each event; called on a thread of the server, one event at a time.
    clock
        The daemon's.
    transaction_ids
        Numbers that only grow; by default from the clock.
    certificate
        Certificate chain and key (PEM) for TLS; None for unencrypted connections.
    patience
        How long to wait; by default as `Patience` says.
    is_open
        Whether equipment may connect yet.
    client_ca
        Who signs the certificates of equipment (PEM); None if it has none.
    remembered_at
        The file that keeps what equipment can do; None to keep nothing.
    keeps_profiles
        Whether profiles are to stay in equipment, as they are where a daemon commands it.
    """

    def __init__(
        self,
        equipment: Sequence[Equipment],
        on_event: OnEquipmentEvent,
        *,
        clock: Clock,
        transaction_ids: Iterator[int] | None = None,
        certificate: tuple[Path, Path] | None = None,
        patience: Patience | None = None,
        is_open: Callable[[], bool] = lambda: True,
        client_ca: Path | None = None,
        remembered_at: Path | None = None,
        keeps_profiles: bool = True,
    ) -> None:
        self._client_ca = client_ca
        self._remembered_at = remembered_at
        self._keeps_profiles = keeps_profiles
        self._equipment = tuple(equipment)
        self._on_event = on_event
        self._clock = clock
        self._ids = (
            transaction_ids_from(clock.now()) if transaction_ids is None else transaction_ids
        )
        self._certificate = certificate
        self._patience = patience
        self._is_open = is_open
        self._address = ("127.0.0.1", 0)
        self._connections: EquipmentConnections | None = None
        self._thread = ServingThread("OCPP server", self._serve)

    def start(self, host: str, port: int) -> int:
        """Start and wait until it listens.

        Parameters
        ----------
        host
            Name or address to listen on.
        port
            TCP port; 0 for any free one.

        Returns
        -------
        int
            The port it listens on.

        Raises
        ------
        BusError
            If it can't, with the reason.
        FileError
            If its key file may be read by others, or can't be read.
        """
        self._address = (host, port)
        try:
            return self._thread.start(STARTS_SECONDS)
        except ImportError as error:
            raise BusError(_NOT_INSTALLED) from error
        except TimeoutError as error:
            raise BusError("the OCPP server did not start in time") from error
        except FileError:
            raise
        except Exception as error:
            raise BusError(f"OCPP can't be served at {host}:{port}: {_reason(error)}") from error

    def stop(self) -> None:
        """Close every connection, report that they have ended, and wait for that."""
        self._thread.stop(STOPS_SECONDS)

    @property
    def ready(self) -> frozenset[str]:
        """The charge points that accept commands now."""
        return frozenset() if self._connections is None else self._connections.ready

    @property
    def alarm(self) -> str | None:
        """What was tried, in words for people, if passwords are being guessed; from any thread."""
        return None if self._connections is None else self._connections.alarm

    def send(
        self, charge_point: str, command: Command, periods: Sequence[CurrentPeriod] = ()
    ) -> bool:
        """Send a charge point the command in force, without waiting; from any thread.

        Parameters
        ----------
        charge_point
            Its name in the household file.
        command
            What it is to do; a start that has expired is not sent.
        periods
            The plan, in order of time, which the equipment follows alone if it loses its
            connection.

        Returns
        -------
        bool
            Whether it is ready. If not, nothing is stored: send again after `EquipmentReady`.
        """
        connections = self._connections
        if connections is None or charge_point not in connections.ready:
            return False
        return self._thread.call_soon(connections.send, charge_point, command, tuple(periods))

    def has_accepted(self, charge_point: str, serial: int | None = None) -> bool:
        """Return whether a charge point has accepted a command.

        Parameters
        ----------
        charge_point
            Its name in the household file.
        serial
            That of the command, since what `send` was given a moment ago may not have reached the
            server's thread yet; None for the last one that did.

        Returns
        -------
        bool
            False as well if it is not connected.
        """
        connections = self._connections
        return connections is not None and connections.has_accepted(charge_point, serial)

    def release(self, charge_point: str, seconds: float) -> tuple[str, ...] | None:
        """Take the daemon's profiles out of a charge point, and wait for that; from any thread.

        Parameters
        ----------
        charge_point
            Its name in the household file.
        seconds
            How long to wait at most.

        Returns
        -------
        tuple of str or None
            What is left in it, in words; None if it is not connected, or does not answer.
        """
        connections, result = self._connections, Future[tuple[str, ...] | None]()
        if connections is None:
            return None

        async def releasing() -> None:
            result.set_result(await connections.release(charge_point))

        tasks: list[asyncio.Task[None]] = []
        if not self._thread.call_soon(lambda: tasks.append(asyncio.create_task(releasing()))):
            return None
        try:
            return result.result(seconds)
        except TimeoutError:
            return None

    async def _serve(self, stopping: asyncio.Event, listening: Callable[[int], None]) -> None:
        # An extra, not installed everywhere.
        from adapters.ocpp.command_sender import Patience  # noqa: PLC0415
        from adapters.ocpp.connections import EquipmentConnections  # noqa: PLC0415
        from adapters.ocpp_versions.session import ServerContext  # noqa: PLC0415

        patience = Patience() if self._patience is None else self._patience
        context = ServerContext(self._clock, self._ids, patience.answer_seconds)
        self._connections = EquipmentConnections(
            self._equipment, self._on_event, context, patience, self._is_open,
            remembered=Remembered(self._remembered_at), keeps_profiles=self._keeps_profiles,
        )  # fmt: skip
        host, port = self._address
        tls = self._tls()
        await self._connections.serve(host, port, tls, stopping, listening)

    def _tls(self) -> ssl.SSLContext | None:
        if self._certificate is None:
            return None
        certificate, key = self._certificate[0], credential_or_file(self._certificate[1])
        refuse_open_key(key)
        context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
        context.load_cert_chain(certificate, key)
        if self._client_ca is not None:
            context.load_verify_locations(self._client_ca)
            # Equipment with a password has none: the door asks for one where the file names it.
            context.verify_mode = ssl.CERT_OPTIONAL
        return context


def _reason(error: Exception) -> str:
    if isinstance(error, ssl.SSLError):
        return "certificate and key can't be used, or do not belong together"
    return why_not_listening(error)
