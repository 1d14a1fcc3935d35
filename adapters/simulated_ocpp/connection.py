"""The websocket of simulated equipment, on a thread of its own."""

from __future__ import annotations

import asyncio
import base64
import logging
import ssl
from collections.abc import Callable, Mapping
from concurrent.futures import CancelledError, Future
from concurrent.futures import TimeoutError as TooSlow
from dataclasses import dataclass
from pathlib import Path
from threading import Thread
from typing import Any, Final, cast

from ocpp import v21, v201
from ocpp.exceptions import OCPPError
from ocpp.routing import after, on
from ocpp.v16 import ChargePoint, call_result
from ocpp.v16.enums import Action
from ocpp.v201 import call_result as results_2
from websockets.asyncio.client import ClientConnection, connect
from websockets.exceptions import ConnectionClosed, WebSocketException
from websockets.typing import Subprotocol

from adapters.simulated_ocpp.station import Translator, heard, variable

ANSWER_SECONDS: Final = 30
AGAIN_SECONDS: Final = 5.0
_QUIET: Final = logging.Logger("simulated", level=logging.CRITICAL + 1)  # noqa: LOG001 - of no tree

REQUESTS: Final = (
    Action.remote_start_transaction, Action.remote_stop_transaction, Action.set_charging_profile,
    Action.clear_charging_profile, Action.change_configuration, Action.trigger_message,
    Action.change_availability, Action.reset, Action.unlock_connector, Action.clear_cache,
)  # fmt: skip
"""The daemon's requests that have a status as their answer."""
REQUESTS_2: Final = (
    "RequestStartTransaction", "RequestStopTransaction", "SetChargingProfile",
    "ClearChargingProfile", "TriggerMessage", "ChangeAvailability", "Reset",
)  # fmt: skip
"""The same in OCPP 2."""
_CLASSES_2: Final = {"2.0.1": v201.ChargePoint, "2.1": v21.ChargePoint}


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
    version
        The version of OCPP to speak.
    """

    host: str
    port: int
    identity: str
    password: str | None
    certificate_file: Path | None
    version: str = "1.6"

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
        self._point: Any = None
        self._asked: Future[Any] | None = None
        self._translator = None if door.version == "1.6" else Translator()
        self._main: asyncio.Task[None] | None = None

    @property
    def version(self) -> str:
        """The version of OCPP that it speaks."""
        return self._door.version

    def start(self) -> None:
        """Connect, in the background."""
        self._thread.start()

    def stop(self) -> None:
        """Disconnect."""
        self._loop.call_soon_threadsafe(self._cancel)
        self._thread.join(ANSWER_SECONDS)

    def say(self, message: object) -> Any:  # noqa: ANN401 - an answer of the package
        """Send a request and return its answer; None while there is no connection, or an error."""
        if self._point is None:
            return None
        if self._translator is None:
            return self._ask(message)
        answers = [self._ask(each) for each in self._translator.said(message)]
        return None if None in answers else self._translator.answer(message, answers[-1])

    def _ask(self, message: object) -> Any:  # noqa: ANN401 - an answer of the package
        point = self._point
        if point is None:
            return None
        saying = point.call(message, suppress=False)
        future: Future[Any] = asyncio.run_coroutine_threadsafe(saying, self._loop)
        self._asked = future
        try:
            return future.result(ANSWER_SECONDS)
        except (OCPPError, WebSocketException, TimeoutError, TooSlow, OSError, CancelledError):
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
                door.url, subprotocols=[Subprotocol(f"ocpp{door.version}")], ssl=door.tls(),
                proxy=None, additional_headers=door.headers(), close_timeout=1,
            ) as connection:  # fmt: skip
                make = _point_of if door.version == "1.6" else _station_of
                self._point = make(connection, self)
                listening = asyncio.ensure_future(self._point.start())
                self._on_change(True, "")  # noqa: FBT003 - whether it is connected
                try:
                    await listening
                except ConnectionClosed:
                    return connection.close_reason or "the connection was lost"
                finally:
                    listening.cancel()
                    if self._asked is not None:
                        self._asked.cancel()  # no answer will come
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

    routes["get_configuration"] = cast("Any", on(Action.get_configuration))(get_configuration)
    routes["triggered"] = cast("Any", after(Action.trigger_message))(_triggered(owner))
    kind = type("SimulatedBox", (ChargePoint,), routes)
    return kind("simulated", connection, ANSWER_SECONDS, _QUIET)


def _answering_2(name: str, owner: EquipmentConnection) -> Any:  # noqa: ANN401 - of the package
    """Make what answers a request of OCPP 2 with a status."""
    make = getattr(results_2, name)

    def answer(_self: object, **values: object) -> object:
        return make(status=owner.carry_out(*heard(name, values)))

    answer.__name__ = f"on_{name}"
    return cast("Any", on(name))(answer)


def _station_of(connection: ClientConnection, owner: EquipmentConnection) -> Any:  # noqa: ANN401 - of the package
    """Make the package's charge point of OCPP 2, which answers by what its owner says."""
    routes = {f"on_{name}": _answering_2(name, owner) for name in REQUESTS_2}

    def get_variables(_self: object, get_variable_data: list[Any]) -> Any:  # noqa: ANN401
        return results_2.GetVariables([variable(each) for each in get_variable_data])

    def set_variables(_self: object, set_variable_data: list[Any]) -> Any:  # noqa: ANN401
        named = (
            {key: each[key] for key in ("component", "variable")} for each in set_variable_data
        )
        return results_2.SetVariables([{**each, "attribute_status": "Accepted"} for each in named])

    routes["get_variables"] = cast("Any", on("GetVariables"))(get_variables)
    routes["set_variables"] = cast("Any", on("SetVariables"))(set_variables)
    routes["triggered"] = cast("Any", after("TriggerMessage"))(_triggered(owner))
    kind = type("SimulatedStation", (_CLASSES_2[owner.version],), routes)
    return kind("simulated", connection, ANSWER_SECONDS, _QUIET)


def _triggered(owner: EquipmentConnection) -> Any:  # noqa: ANN401 - of the package
    async def triggered(_self: object, requested_message: str, **_more: Any) -> None:  # noqa: ANN401
        loop = asyncio.get_running_loop()
        await loop.run_in_executor(None, owner.on_triggered, requested_message)

    return triggered
