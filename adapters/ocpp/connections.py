"""Serve the connections of OCPP equipment, the newest one of each charge point.

Imported only when a server is started, since websockets and ocpp are an extra.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Collection, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import AsyncExitStack, suppress
from ssl import SSLContext
from typing import Final

import structlog
from websockets.asyncio.server import ServerConnection, serve
from websockets.exceptions import ConnectionClosed
from websockets.frames import CloseCode

from adapters.contract.current_period import CurrentPeriod
from adapters.contract.messages import LARGEST_PAYLOAD_BYTES, Command
from adapters.host.limited_listening import Connections, listen
from adapters.host.listening import stop_accepting
from adapters.ocpp.command_sender import CommandSender, Patience
from adapters.ocpp.limiter import Limiter
from adapters.ocpp_door.authentication import VERSIONS, Authenticator, version_of
from adapters.ocpp_door.limited_connection import LimitedConnection
from adapters.ocpp_point.events import (
    EquipmentConnected,
    EquipmentDisconnected,
    EquipmentEvent,
    OnEquipmentEvent,
)
from adapters.ocpp_point.point import Equipment
from adapters.ocpp_point.remembered import Remembered
from adapters.ocpp_point.state import EquipmentState
from adapters.ocpp_versions.session import QUIET, ServerContext
from adapters.ocpp_versions.versions import SESSIONS, state_in

HANDSHAKE_SECONDS: Final = 10.0
PING_SECONDS: Final = 60.0
CLOSES_SECONDS: Final = 2.0
CANCELS_AGAIN_SECONDS: Final = 0.1

_log = structlog.get_logger(__name__)


class EquipmentConnections:
    """Serves all OCPP equipment of a household.

    Parameters
    ----------
    equipment
        Who may connect.
    on_event
        Takes each event; see `OnEquipmentEvent`.
    context
        What all connections share.
    patience
        How long to wait.
    is_open
        Whether equipment may connect yet.
    remembered
        What equipment can do.
    keeps_profiles
        Whether profiles are to stay in equipment.
    """

    def __init__(
        self,
        equipment: Sequence[Equipment],
        on_event: OnEquipmentEvent,
        context: ServerContext,
        patience: Patience,
        is_open: Callable[[], bool],
        *,
        remembered: Remembered,
        keeps_profiles: bool,
    ) -> None:
        self._remembered = remembered
        self._keeps_profiles = keeps_profiles
        self._limiters: dict[str, Limiter] = {}
        self._on_event = on_event
        self._context = context
        self._patience = patience
        self._authenticator = Authenticator(equipment, is_open)
        self._waiting = Connections(is_barred=self._authenticator.bars)
        self._authenticator.on_accepted = self._waiting.establish
        self._states: dict[str, EquipmentState] = {}
        self._one_at_a_time = {each.name: asyncio.Lock() for each in equipment}
        self._newest: dict[str, ServerConnection] = {}
        self._senders: dict[str, CommandSender] = {}
        # One thread, so that events are handed on in order.
        self._executor = ThreadPoolExecutor(1, thread_name_prefix="OCPP events")

    async def serve(
        self,
        host: str,
        port: int,
        tls: SSLContext | None,
        stopping: asyncio.Event,
        listening: Callable[[int], None],
    ) -> None:
        """Serve until asked to stop, then close every connection.

        Parameters
        ----------
        host, port
            Where to listen; port 0 for any free one.
        tls
            Certificate and key; None for unencrypted connections.
        stopping
            Set to stop.
        listening
            Called with the port once equipment can connect.
        """
        sockets = listen(host, port, self._waiting)
        async with AsyncExitStack() as serving:
            for each in sockets:
                serving.callback(each.close)
            for each in sockets:
                await serving.enter_async_context(
                    serve(
                        self._serve_one,
                        sock=each,
                        ssl=tls,
                        compression=None,
                        process_request=self._authenticator.check,
                        select_subprotocol=self._authenticator.select_subprotocol,
                        server_header=None,
                        open_timeout=HANDSHAKE_SECONDS,
                        max_size=LARGEST_PAYLOAD_BYTES,
                        ping_interval=PING_SECONDS,
                        ping_timeout=PING_SECONDS,
                        close_timeout=CLOSES_SECONDS,
                        logger=QUIET,
                        create_connection=LimitedConnection,
                    )
                )
            listening(sockets[0].getsockname()[1])
            await stopping.wait()
            await stop_accepting(sockets)
        await asyncio.to_thread(self._executor.shutdown)

    @property
    def ready(self) -> frozenset[str]:
        """The charge points that accept commands; may be read from any thread."""
        return frozenset(name for name, sender in list(self._senders.items()) if sender.is_ready)

    @property
    def alarm(self) -> str | None:
        """Who guesses passwords, in words for people; may be read from any thread."""
        return self._authenticator.alarm

    def send(self, charge_point: str, command: Command, periods: Sequence[CurrentPeriod]) -> None:
        """Send a charge point a command and the plan, if it is still ready."""
        sender = self._senders.get(charge_point)
        if sender is not None and sender.is_ready:
            sender.send(command, periods)

    def has_accepted(self, charge_point: str, serial: int | None) -> bool:
        """Return whether a charge point has accepted a command; from any thread."""
        sender = self._senders.get(charge_point)
        return sender is not None and sender.has_accepted(serial)

    async def release(self, charge_point: str) -> tuple[str, ...] | None:
        """Take the daemon's profiles out of a charge point; None if it is not connected."""
        limiter = self._limiters.get(charge_point)
        try:
            return None if limiter is None else await limiter.release()
        except ConnectionClosed:
            return None

    async def _serve_one(self, connection: ServerConnection) -> None:
        request = connection.request
        equipment = self._authenticator.equipment_at(request.path) if request is not None else None
        if equipment is None or connection.subprotocol is None:
            expected = " or ".join(f"ocpp{version}" for version in VERSIONS)
            await connection.close(CloseCode.PROTOCOL_ERROR, f"expected {expected}")
            return
        older = self._newest.get(equipment.name)
        self._newest[equipment.name] = connection
        if older is not None:
            await older.close(CloseCode.GOING_AWAY, "a newer connection has taken over")
        async with self._one_at_a_time[equipment.name]:
            if self._newest.get(equipment.name) is connection:
                await self._serve_newest(equipment, connection)

    async def _serve_newest(self, equipment: Equipment, connection: ServerConnection) -> None:
        """Serve the newest connection, from EquipmentConnected to EquipmentDisconnected."""
        name, version = equipment.name, version_of(connection.subprotocol)
        known = self._states.get(name)
        state = self._states[name] = state_in(version, known, equipment.register_wh)

        async def hand_on(event: EquipmentEvent) -> None:
            loop = asyncio.get_running_loop()
            await loop.run_in_executor(self._executor, self._on_event, name, event)

        async def notify(event: EquipmentEvent) -> None:
            try:
                await hand_on(event)
            except Exception:  # noqa: BLE001 - it must not end the connection
                _log.exception("an event of equipment could not be handled", charge_point=name)

        session = SESSIONS[version](equipment, connection, state, self._context, hand_on)
        clock = self._context.clock
        limiter = self._limiters[name] = Limiter(session, self._remembered, clock)
        sender = CommandSender(
            session, notify, clock, self._patience, limiter, keeps_profiles=self._keeps_profiles
        )
        session.on_transaction = sender.send_again
        session.after_message = sender.watch
        await notify(EquipmentConnected(name))
        self._senders[name] = sender
        works = (sender.greet, sender.run)
        tasks = [asyncio.create_task(_guarded(work, connection)) for work in works]
        try:
            await session.serve()
        finally:
            del self._senders[name], self._limiters[name]
            await _end(tasks)
            if self._newest.get(name) is connection:
                del self._newest[name]
            with suppress(ConnectionClosed):
                await connection.close()
            await notify(EquipmentDisconnected(name))


async def _end(tasks: Collection[asyncio.Task[None]]) -> None:
    """Cancel tasks until they end: `wait_for` of Python 3.11 may lose a cancellation."""
    pending = set(tasks)
    while pending:
        for task in pending:
            task.cancel()
        _, pending = await asyncio.wait(pending, timeout=CANCELS_AGAIN_SECONDS)


async def _guarded(work: Callable[[], Awaitable[None]], connection: ServerConnection) -> None:
    """Run a task; if it fails, close the connection, so that equipment returns."""
    try:
        await work()
    except ConnectionClosed:
        return
    except Exception:  # noqa: BLE001 - the error is in the log
        _log.exception("sending commands to equipment failed")
        await connection.close(CloseCode.INTERNAL_ERROR)
