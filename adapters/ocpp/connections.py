"""The asyncio side of the OCPP server: connections, and the one that counts for each charge point.

Imported only when a server is started: websockets and ocpp are an extra.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Collection, Coroutine, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from ssl import SSLContext
from typing import Final

import structlog
from websockets.asyncio.server import ServerConnection, serve
from websockets.exceptions import ConnectionClosed
from websockets.frames import CloseCode

from adapters.contract.current_period import CurrentPeriod
from adapters.contract.messages import LARGEST_PAYLOAD_BYTES, Command
from adapters.ocpp.authentication import SUBPROTOCOL, Authenticator, select_subprotocol
from adapters.ocpp.command_sender import CommandSender, Patience
from adapters.ocpp.events import (
    EquipmentConnected,
    EquipmentDisconnected,
    EquipmentEvent,
    OnEquipmentEvent,
)
from adapters.ocpp.point import Equipment, EquipmentState
from adapters.ocpp.session import QUIET, ServerContext, Session

PING_SECONDS: Final = 60.0
CLOSES_SECONDS: Final = 2.0
CANCELS_AGAIN_SECONDS: Final = 0.1

_log = structlog.get_logger(__name__)


class EquipmentConnections:
    """Serves all equipment of a household.

    Parameters
    ----------
    equipment
        Who may connect.
    on_event
        Takes what was heard; see `OnEquipmentEvent`.
    context
        What all connections share.
    patience
        How long things may take.
    is_open
        Whether equipment may connect yet.
    """

    def __init__(
        self,
        equipment: Sequence[Equipment],
        on_event: OnEquipmentEvent,
        context: ServerContext,
        patience: Patience,
        is_open: Callable[[], bool],
    ) -> None:
        self._on_event = on_event
        self._context = context
        self._patience = patience
        self._authenticator = Authenticator(equipment, is_open)
        self._states = {each.name: EquipmentState() for each in equipment}
        self._turns = {each.name: asyncio.Lock() for each in equipment}
        self._newest: dict[str, ServerConnection] = {}
        self._senders: dict[str, CommandSender] = {}
        # One thread, so that what was heard first is handed on first.
        self._hearing = ThreadPoolExecutor(1, thread_name_prefix="OCPP heard")

    async def serve(
        self,
        host: str,
        port: int,
        tls: SSLContext | None,
        stopping: asyncio.Event,
        listening: Callable[[int], None],
    ) -> None:
        """Serve until told to stop, then close every connection.

        Parameters
        ----------
        host, port
            Where to listen; port 0 for any free one.
        tls
            Certificate and key; None for connections in the clear.
        stopping
            Set to end it.
        listening
            Called with the port once equipment can connect.
        """
        async with serve(
            self._serve_one,
            host,
            port,
            ssl=tls,
            compression=None,
            process_request=self._authenticator.check,
            select_subprotocol=select_subprotocol,
            server_header=None,
            max_size=LARGEST_PAYLOAD_BYTES,
            ping_interval=PING_SECONDS,
            ping_timeout=PING_SECONDS,
            close_timeout=CLOSES_SECONDS,
            logger=QUIET,
        ) as server:
            listening(next(iter(server.sockets)).getsockname()[1])
            await stopping.wait()
        await asyncio.to_thread(self._hearing.shutdown)

    @property
    def ready(self) -> frozenset[str]:
        """The charge points that can be told something; may be asked from any thread."""
        return frozenset(name for name, sender in list(self._senders.items()) if sender.is_ready)

    def send(self, charge_point: str, command: Command, schedule: Sequence[CurrentPeriod]) -> None:
        """Tell a charge point something, if it is ready still."""
        sender = self._senders.get(charge_point)
        if sender is not None and sender.is_ready:
            sender.send(command, schedule)

    async def _serve_one(self, connection: ServerConnection) -> None:
        request = connection.request
        equipment = self._authenticator.equipment_at(request.path) if request is not None else None
        if equipment is None or connection.subprotocol != SUBPROTOCOL:
            await connection.close(CloseCode.PROTOCOL_ERROR, f"expected {SUBPROTOCOL}")
            return
        older = self._newest.get(equipment.name)
        self._newest[equipment.name] = connection
        if older is not None:
            await older.close(CloseCode.GOING_AWAY, "a newer connection has taken over")
        async with self._turns[equipment.name]:
            if self._newest.get(equipment.name) is connection:
                await self._attend(equipment, connection)

    async def _attend(self, equipment: Equipment, connection: ServerConnection) -> None:
        """Serve the connection that counts, from EquipmentConnected to EquipmentDisconnected."""
        name, state = equipment.name, self._states[equipment.name]

        async def hear(heard: EquipmentEvent) -> None:
            loop = asyncio.get_running_loop()
            await loop.run_in_executor(self._hearing, self._on_event, name, heard)

        async def notify(heard: EquipmentEvent) -> None:
            try:
                await hear(heard)
            except Exception:  # noqa: BLE001 - it must not end the connection
                _log.exception("what was heard could not be taken", charge_point=name)

        session = Session(equipment, connection, state, self._context, hear)
        sender = CommandSender(session, notify, self._context.clock, self._patience)
        session.on_transaction = sender.send_again
        await notify(EquipmentConnected(name))
        self._senders[name] = sender
        works = (sender.greet(), sender.run())
        tasks = [asyncio.create_task(_guarded(work, connection)) for work in works]
        try:
            await session.serve()
        finally:
            del self._senders[name]
            await _end(tasks)
            if self._newest.get(name) is connection:
                del self._newest[name]
            with suppress(ConnectionClosed):
                await connection.close()
            await notify(EquipmentDisconnected(name))


async def _end(tasks: Collection[asyncio.Task[None]]) -> None:
    """Cancel tasks until they end: `asyncio.wait_for` of Python 3.11 may lose a cancellation."""
    pending = set(tasks)
    while pending:
        for task in pending:
            task.cancel()
        _, pending = await asyncio.wait(pending, timeout=CANCELS_AGAIN_SECONDS)


async def _guarded(work: Coroutine[None, None, None], connection: ServerConnection) -> None:
    """Close a connection on which nothing more would be told: equipment then begins anew."""
    try:
        await work
    except ConnectionClosed:
        return
    except Exception:  # noqa: BLE001 - what it was is in the log
        _log.exception("telling equipment came to an end")
        await connection.close(CloseCode.INTERNAL_ERROR)
