"""Equipment for tests: the charge point class of the ocpp package, on a real websocket.

It answers from a script, and records the requests that it gets. It runs on its own thread.
"""

from __future__ import annotations

import asyncio
import base64
import logging
from collections import defaultdict
from collections.abc import Callable, Coroutine, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from ssl import SSLContext
from threading import Lock, Thread
from typing import Any, TypeVar, cast

from ocpp.routing import on
from ocpp.v16 import ChargePoint, call, call_result
from ocpp.v16.enums import Action
from websockets.asyncio.client import ClientConnection, connect
from websockets.exceptions import ConnectionClosed
from websockets.typing import Subprotocol

from adapters.ocpp_point.events import EquipmentEvent
from tests.support.waiting import patience, wait_until

PASSWORD = "rata and rimu"  # noqa: S105 - of an invented charge point
_QUIET = logging.Logger("equipment", level=logging.CRITICAL + 1)  # noqa: LOG001 - of no tree

Answer = TypeVar("Answer")
Handler = TypeVar("Handler", bound=Callable[..., Any])


def authorization(identity: str, password: str | bytes) -> dict[str, str]:
    secret = password.encode() if isinstance(password, str) else password
    return {
        "Authorization": f"Basic {base64.b64encode(identity.encode() + b':' + secret).decode()}"
    }


def does(action: Action) -> Callable[[Handler], Handler]:
    return cast("Callable[[Handler], Handler]", on(action))


class ScriptedChargePoint(ChargePoint):  # type: ignore[misc]  # the package has no types
    """Answers `Accepted`, or the next entry of its script for an action."""

    def __init__(self, identity: str, connection: ClientConnection) -> None:
        super().__init__(identity, connection, patience(), _QUIET)
        self.asked: list[tuple[str, dict[str, Any]]] = []
        self.script: dict[str, list[str | Exception]] = defaultdict(list)
        self.silent = False
        self.configuration: dict[str, str] | None = None
        """Its answer to GetConfiguration; None if it does not know that request."""
        self.standing: list[dict[str, Any]] = []
        """The default and highest profiles that it was sent, which belong to no transaction."""

    async def _answer(self, message: type, **payload: Any) -> Any:  # noqa: ANN401
        name = message.__name__
        self.asked.append((name, payload))
        if self.silent:
            await asyncio.Event().wait()
        answer = self.script[name].pop(0) if self.script[name] else "Accepted"
        if isinstance(answer, Exception):
            raise answer
        return message(status=answer)

    @does(Action.remote_start_transaction)
    async def on_remote_start(self, **payload: Any) -> Any:  # noqa: ANN401
        return await self._answer(call_result.RemoteStartTransaction, **payload)

    @does(Action.remote_stop_transaction)
    async def on_remote_stop(self, **payload: Any) -> Any:  # noqa: ANN401
        return await self._answer(call_result.RemoteStopTransaction, **payload)

    @does(Action.set_charging_profile)
    async def on_profile(self, **payload: Any) -> Any:  # noqa: ANN401
        purpose = payload["cs_charging_profiles"]["charging_profile_purpose"]
        if purpose == "TxProfile" or self.silent:
            return await self._answer(call_result.SetChargingProfile, **payload)
        self.standing.append(payload)
        answer = self.script[purpose].pop(0) if self.script[purpose] else "Accepted"
        if isinstance(answer, Exception):
            raise answer
        return call_result.SetChargingProfile(status=answer)

    @does(Action.get_configuration)
    async def on_configuration(self, **_payload: Any) -> Any:  # noqa: ANN401
        if self.silent:
            await asyncio.Event().wait()
        if self.configuration is None:
            raise NotImplementedError("GetConfiguration")
        known = [
            {"key": key, "readonly": True, "value": value}
            for key, value in self.configuration.items()
        ]
        return call_result.GetConfiguration(configuration_key=known)

    @does(Action.clear_charging_profile)
    async def on_clear(self, **payload: Any) -> Any:  # noqa: ANN401
        return await self._answer(call_result.ClearChargingProfile, **payload)

    @does(Action.trigger_message)
    async def on_trigger(self, **payload: Any) -> Any:  # noqa: ANN401
        return await self._answer(call_result.TriggerMessage, **payload)

    @does(Action.change_configuration)
    async def on_change(self, **payload: Any) -> Any:  # noqa: ANN401
        return await self._answer(call_result.ChangeConfiguration, **payload)


MakePoint = Callable[[str, ClientConnection], ScriptedChargePoint]


class EquipmentConnection:
    """A connection of scripted equipment, driven from a test's thread."""

    def __init__(
        self,
        loop: asyncio.AbstractEventLoop,
        connection: ClientConnection,
        make_point: MakePoint = ScriptedChargePoint,
    ) -> None:
        self._loop = loop
        self.connection = connection
        self.point = make_point("equipment", connection)
        self.closed: tuple[int, str] | None = None
        self._serving = asyncio.run_coroutine_threadsafe(self._serve(), loop)

    async def _serve(self) -> None:
        try:
            await self.point.start()
        except ConnectionClosed:
            self.closed = (self.connection.close_code or 0, self.connection.close_reason or "")

    def run(self, work: Coroutine[Any, Any, Answer]) -> Answer:
        return asyncio.run_coroutine_threadsafe(work, self._loop).result(patience())

    def say(self, message: object) -> Any:  # noqa: ANN401 - an answer of the package
        return self.run(self.point.call(message, suppress=False))

    def boot(self) -> Any:  # noqa: ANN401
        return self.say(call.BootNotification("KC-7", "Kowhai Cottage"))

    def status(self, status: str, connector: int = 1) -> None:
        self.say(call.StatusNotification(connector, "NoError", status))

    def begin(self, at: datetime, watt_hours: int = 1000, connector: int = 1) -> int:
        message = call.StartTransaction(connector, "tag", watt_hours, at.isoformat())
        return int(self.say(message).transaction_id)

    def end(self, transaction: int, at: datetime, watt_hours: int) -> None:
        self.say(call.StopTransaction(watt_hours, at.isoformat(), transaction))

    def meter(self, at: datetime, *sampled: dict[str, str], transaction: int | None = None) -> None:
        values = [{"timestamp": at.isoformat(), "sampled_value": list(sampled)}]
        self.say(call.MeterValues(1, values, transaction))

    def asked(self, name: str) -> list[dict[str, Any]]:
        return [payload for each, payload in list(self.point.asked) if each == name]

    def cut(self) -> None:
        """Lose the connection without closing it."""
        self._loop.call_soon_threadsafe(self.connection.transport.abort)
        self._serving.result(patience())

    def close(self) -> None:
        self._serving.cancel()
        self.run(self.connection.close())


@dataclass
class EquipmentThread:
    """A thread for equipment; closes all of it at the end."""

    loop: asyncio.AbstractEventLoop = field(default_factory=asyncio.new_event_loop)
    opened: list[EquipmentConnection] = field(default_factory=list)

    def connect(
        self,
        port: int,
        identity: str = "driveway-1",
        password: str | bytes = PASSWORD,
        tls: SSLContext | None = None,
        make_point: MakePoint = ScriptedChargePoint,
    ) -> EquipmentConnection:
        async def opening() -> ClientConnection:
            return await connect(
                f"{'ws' if tls is None else 'wss'}://127.0.0.1:{port}/{identity}",
                subprotocols=[Subprotocol("ocpp1.6")],
                additional_headers=authorization(identity, password),
                ssl=tls,
                proxy=None,
                close_timeout=1,
            )

        made = asyncio.run_coroutine_threadsafe(opening(), self.loop).result(patience())
        plugged = EquipmentConnection(self.loop, made, make_point)
        self.opened.append(plugged)
        return plugged


@contextmanager
def equipment_thread() -> Iterator[EquipmentThread]:
    equipments = EquipmentThread()
    thread = Thread(target=equipments.loop.run_forever)
    thread.start()
    try:
        yield equipments
    finally:
        for each in equipments.opened:
            each.close()
        equipments.loop.call_soon_threadsafe(equipments.loop.stop)
        thread.join(patience())
        _finish(equipments.loop)


def _finish(loop: asyncio.AbstractEventLoop) -> None:
    """Cancel the tasks of silent equipment."""
    tasks = asyncio.all_tasks(loop)
    for task in tasks:
        task.cancel()
    if tasks:
        loop.run_until_complete(asyncio.wait(tasks))
    loop.run_until_complete(loop.shutdown_default_executor())
    loop.close()


@dataclass
class EventRecorder:
    """Records the events that a server hands on; can be made to fail."""

    events: list[tuple[str, EquipmentEvent]] = field(default_factory=list)
    fails: Exception | None = None
    _lock: Lock = field(default_factory=Lock)

    def __call__(self, charge_point: str, event: EquipmentEvent) -> None:
        with self._lock:
            if self.fails is not None:
                raise self.fails
            self.events.append((charge_point, event))

    def of(self, kind: type[Answer]) -> list[Answer]:
        with self._lock:
            return [event for _, event in self.events if isinstance(event, kind)]

    def wait_for(self, kind: type[object], count: int = 1) -> None:
        wait_until(lambda: len(self.of(kind)) >= count, what=f"{count} x {kind.__name__}")
