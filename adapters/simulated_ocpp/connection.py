"""The websocket of simulated equipment, on a thread of its own."""

from __future__ import annotations

import asyncio
import base64
import logging
import ssl
from collections.abc import Callable, Mapping
from concurrent.futures import Future
from concurrent.futures import TimeoutError as TooSlow
from dataclasses import dataclass
from pathlib import Path
from threading import Thread
from typing import Any, Final, cast

from ocpp.exceptions import OCPPError
from ocpp.routing import after, on
from ocpp.v16 import ChargePoint, call_result
from ocpp.v16.enums import Action
from websockets.asyncio.client import ClientConnection, connect
from websockets.exceptions import ConnectionClosed, WebSocketException
from websockets.typing import Subprotocol

ANSWER_SECONDS: Final = 30
AGAIN_SECONDS: Final = 5.0
_QUIET: Final = logging.Logger("simulated", level=logging.CRITICAL + 1)  # noqa: LOG001 - of no tree

REQUESTS: Final = (
    Action.remote_start_transaction, Action.remote_stop_transaction, Action.set_charging_profile,
    Action.clear_charging_profile, Action.change_configuration, Action.trigger_message,
    Action.change_availability, Action.reset, Action.unlock_connector, Action.clear_cache,
)  # fmt: skip
"""The daemon's requests that have a status as their answer."""


@dataclass(frozen=True, slots=True)
class Door:
    """Where simulated equipment connects, and as whom.

    Attributes
    ----------
    host, port
        Where the daemon listens.
    identity, password
        Its identity, and the password; None without one.
    certificate_file
        The daemon's certificate, if it uses TLS.
    """

    host: str
    port: int
    identity: str
    password: str | None
    certificate_file: Path | None

    @property
    def url(self) -> str:
        """The address."""
        scheme = "ws" if self.certificate_file is None else "wss"
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{scheme}://{host}:{self.port}/{self.identity.replace(' ', '%20')}"

    def tls(self) -> ssl.SSLContext | None:
        """Return what trusts the daemon's own certificate, whatever its name; None without TLS."""
        if self.certificate_file is None:
            return None
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        context.check_hostname = False
        context.verify_flags |= ssl.VERIFY_X509_PARTIAL_CHAIN
        context.load_verify_locations(self.certificate_file)
        return context

    def headers(self) -> dict[str, str]:
        """Return the sign-in."""
        if self.password is None:
            return {}
        secret = base64.b64encode(f"{self.identity}:{self.password}".encode()).decode()
        return {"Authorization": f"Basic {secret}"}


class EquipmentConnection:
    """Connects again and again, and passes requests on.

    Parameters
    ----------
    door
        Where to connect.
    carry_out
        Called with the name of a request and its values, on the connection's thread; returns the
        status of the answer.
    configuration
        Called for the keys and values of its configuration.
    on_change
        Called when it is connected (True), or no longer, with a reason.
    on_triggered
        Called with the name of a message that the daemon asks for, once that is answered.
    """

    def __init__(
        self,
        door: Door,
        *,
        carry_out: Callable[[str, Mapping[str, Any]], str],
        configuration: Callable[[], Mapping[str, str]],
        on_change: Callable[[bool, str], None],
        on_triggered: Callable[[str], None],
    ) -> None:
        self._door = door
        self.carry_out = carry_out
        self.configuration = configuration
        self._on_change = on_change
        self.on_triggered = on_triggered
        self._loop = asyncio.new_event_loop()
        self._thread = Thread(target=self._run, name="simulated equipment", daemon=True)
        self._point: ChargePoint | None = None
        self._main: asyncio.Task[None] | None = None

    def start(self) -> None:
        """Connect, in the background."""
        self._thread.start()

    def stop(self) -> None:
        """Disconnect."""
        self._loop.call_soon_threadsafe(self._cancel)
        self._thread.join(ANSWER_SECONDS)

    def say(self, message: object) -> Any:  # noqa: ANN401 - an answer of the package
        """Send a request and return its answer; None while there is no connection, or an error."""
        point = self._point
        if point is None:
            return None
        saying = point.call(message, suppress=False)
        future: Future[Any] = asyncio.run_coroutine_threadsafe(saying, self._loop)
        try:
            return future.result(ANSWER_SECONDS)
        except (OCPPError, WebSocketException, TimeoutError, TooSlow, OSError):
            return None

    def _cancel(self) -> None:
        if self._main is not None:
            self._main.cancel()

    def _run(self) -> None:
        asyncio.set_event_loop(self._loop)
        self._main = self._loop.create_task(self._stay_connected())
        try:
            self._loop.run_until_complete(self._main)
        except asyncio.CancelledError:
            pass
        finally:
            self._loop.close()

    async def _stay_connected(self) -> None:
        while True:
            reason = await self._be_connected()
            self._point = None
            self._on_change(False, reason)  # noqa: FBT003 - whether it is connected
            await asyncio.sleep(AGAIN_SECONDS)

    async def _be_connected(self) -> str:
        door = self._door
        try:
            async with connect(
                door.url, subprotocols=[Subprotocol("ocpp1.6")], ssl=door.tls(), proxy=None,
                additional_headers=door.headers(), close_timeout=1,
            ) as connection:  # fmt: skip
                self._point = _point_of(connection, self)
                listening = asyncio.ensure_future(self._point.start())
                self._on_change(True, "")  # noqa: FBT003 - whether it is connected
                try:
                    await listening
                except ConnectionClosed:
                    return connection.close_reason or "the connection was lost"
                finally:
                    listening.cancel()
        except (OSError, WebSocketException, ssl.SSLError) as error:
            return str(error) or type(error).__name__
        return "the connection was closed"


def _answering(action: Action, owner: EquipmentConnection) -> Any:  # noqa: ANN401 - of the package
    """Make what answers a request with a status."""
    name = str(action.value)
    make = getattr(call_result, name)

    def answer(_self: object, **values: object) -> object:
        return make(status=owner.carry_out(name, values))

    answer.__name__ = f"on_{action.name}"  # the package looks for the attribute of this name
    return cast("Any", on(action))(answer)


def _point_of(connection: ClientConnection, owner: EquipmentConnection) -> ChargePoint:
    """Make the package's charge point, which answers by what its owner says."""
    routes = {f"on_{action.name}": _answering(action, owner) for action in REQUESTS}

    def get_configuration(_self: object, key: list[str] | None = None) -> Any:  # noqa: ANN401
        known = owner.configuration()
        asked = list(known) if key is None else key
        return call_result.GetConfiguration(
            configuration_key=[
                {"key": each, "readonly": False, "value": known[each]}
                for each in asked
                if each in known
            ],
            unknown_key=[each for each in asked if each not in known],
        )

    async def triggered(_self: object, requested_message: str, **_more: Any) -> None:  # noqa: ANN401
        await asyncio.get_running_loop().run_in_executor(
            None,
            owner.on_triggered,
            requested_message,
        )

    routes["get_configuration"] = cast("Any", on(Action.get_configuration))(get_configuration)
    routes["triggered"] = cast("Any", after(Action.trigger_message))(triggered)
    kind = type("SimulatedBox", (ChargePoint,), routes)
    return kind("simulated", connection, ANSWER_SECONDS, _QUIET)
