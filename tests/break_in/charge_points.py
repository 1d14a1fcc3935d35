"""Break in at the door for charge points, in each version of OCPP, beside a real daemon.

Strangers come from addresses of their own, the box from 127.0.0.1. What a box sends that was let in
is tried as well: it may be broken, or somebody may have its password.
"""

from __future__ import annotations

import json
import socket
import sqlite3
from collections import Counter
from contextlib import ExitStack, closing, contextmanager, suppress
from itertools import count
from random import Random
from threading import Event
from time import monotonic
from typing import TYPE_CHECKING, Any, Final

from websockets.exceptions import ConnectionClosed
from websockets.sync.client import connect
from websockets.typing import Subprotocol

from adapters.clocks.clock import SystemClock
from tests.adapters.ocpp.test_malformed import FRAMES
from tests.support.daemons import POINT, TOPICS
from tests.support.ocpp_equipment import PASSWORD, authorization

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from websockets.sync.connection import Connection

    from tests.support.daemons import Person

VERSIONS: Final = ("1.6", "2.0.1", "2.1")
IDENTITY: Final = "driveway-1"
GUESSES: Final = 1000
SLOW: Final = 150
REPLAYS: Final = 1000
REPLAYS_A_SECOND: Final = 300
ODD: Final = 2000
LIMITS: Final = 20
FLOOD: Final = 5000
MOST_ANSWER_SECONDS: Final = 2.0
AT: Final = "2026-06-03T09:00:00Z"

_STATUS: Final[dict[str, dict[str, Any]]] = {
    "1.6": {"connectorId": 1, "errorCode": "NoError", "status": "Preparing"},
    "2": {"evseId": 1, "connectorId": 1, "timestamp": AT, "connectorStatus": "Occupied"},
}


def with_ocpp(port: int, password: Path) -> Callable[[str], str]:
    """Return what declares the door in a household file."""

    def declared(text: str) -> str:
        point = f"  {POINT}:\n"
        ocpp = f"    ocpp: {{identity: {IDENTITY}, password_file: {password}}}\n"
        door = f'\nocpp: {{listen: "127.0.0.1:{port}"}}\n'
        return text.replace(point, point + ocpp, 1) + door

    return declared


class DoorCampaign:
    """The door under attack in one version, and what was found wrong."""

    def __init__(
        self, version: str, port: int, person: Person, ledger: Path, say: Callable[[str], None]
    ) -> None:
        self.wrong: list[str] = []
        self._version, self._port = version, port
        self._person, self._ledger = person, ledger
        self._tell = say
        self._numbers = count()
        self._at = SystemClock().now().isoformat()
        self._strangers = (f"127.9.{VERSIONS.index(version)}.{n}" for n in range(1, 255))

    def strangers(self) -> None:
        """Come without a password, with a wrong one, as another box, and for another protocol."""
        own = authorization(IDENTITY, PASSWORD)
        other = authorization("carport-1", PASSWORD)
        for name, path, headers, status in (
            ("no password", f"/{IDENTITY}", {}, 401),
            ("a wrong password", f"/{IDENTITY}", authorization(IDENTITY, "guess"), 401),
            ("the identity of another box", f"/{IDENTITY}", other, 401),
            ("a box that is not declared", "/carport-1", other, 404),
            ("a path outside", f"/{IDENTITY}/../carport-1", own, 404),
            ("a page", "/", own, 404),
        ):
            found = self._status(path, headers, next(self._strangers))
            self._require(found == status, f"{name}: {found}")
            self._say(f"{name}: {found}")
        for offered in ("ocpp1.5", "ocpp2.0", "mqtt", ""):
            with self._box(offered) as box:
                code = _closed_with(box)
            self._require(code == 1002, f"the protocol {offered!r}: {code}")
            self._say(f"the protocol {offered or 'none'}: closed with {code}")

    def guesses(self) -> None:
        """Guess its password from one address; the box itself is let in meanwhile."""
        stranger, wrong = next(self._strangers), authorization(IDENTITY, "guess")
        found = Counter(self._status(f"/{IDENTITY}", wrong, stranger) for _ in range(GUESSES))
        self._require(set(found) <= {0, 401, 429}, f"guesses: {found}")
        self._require(found[401] < 10, f"guesses that were looked at: {found[401]}")
        self._is_served("after guesses")
        self._say(f"{GUESSES} guesses: {found[401]} looked at, then closed; the box gets in")

    def slow_strangers(self) -> None:
        """Open connections that say nothing, and see that the box gets in beside them."""
        with ExitStack() as ending:
            for _ in range(SLOW):
                ending.enter_context(self._socket("127.9.9.9"))
            self._is_served("beside slow strangers")
        self._say(f"{SLOW} silent strangers: the box gets in, the daemon answers")

    def large_frames(self) -> None:
        """Announce a frame of 100 MB, and fragments without end."""
        with self._raw() as box:
            box.sendall(b"\x81\xff" + (100_000_000).to_bytes(8) + b"\0\0\0\0" + b" " * 1000)
            answer = box.recv(1000)
        code = int.from_bytes(answer[2:4])
        self._require(code == 1009, f"100 MB: {answer[:8]!r}")
        with self._raw() as box:
            ended = _send_until_closed(box, b"\x01\x80\0\0\0\0" + b"\x00\x80\0\0\0\0" * 2000)
        self._require(ended, "fragments without end are taken")
        self._is_served("after large frames")
        self._say(f"a frame of 100 MB: closed with {code}; fragments without end: closed")

    def malformed(self) -> None:
        """Send what is no message, and messages with parts of any other kind."""
        random, text = Random(5), json.dumps(self._message())
        with self._box() as box:
            for frame in FRAMES:
                box.send(frame)
            self._ask(box, "Heartbeat", {})
            for _ in range(ODD):
                at = random.randrange(len(text))
                odd = random.choice(['{"', "null", "9" * 50, "[]", '""', "-1", "\\ud800", "1e999"])
                box.send(text[:at] + odd + text[at + random.randrange(8) :])
                self._ask(box, "Heartbeat", {})
        self._is_served("after malformed messages")
        self._say(f"{len(FRAMES) + ODD} malformed messages: each next one is answered")

    def floods(self) -> None:
        """Send as fast as it goes: the connection ends, and the next one is served."""
        with self._box() as box:
            try:
                for _ in range(FLOOD):
                    box.send(json.dumps(self._message()))
                code = _closed_with(box)
            except ConnectionClosed:
                code = 1006
        self._require(code == 1006, f"a flood: {code}")
        self._is_served("after a flood")
        self._say(f"a flood of {FLOOD} messages: closed; the next connection is served")

    def replays(self) -> None:
        """Say the same a thousand times: it is answered each time, and recorded once."""
        self._at = SystemClock().now().isoformat()
        before = self._rows()
        with self._box() as box:
            self._ask(box, "Heartbeat", {})
            began = monotonic()
            for number in range(REPLAYS):
                # More at a time would be a flood, which ends the connection.
                Event().wait(max(0.0, began + number / REPLAYS_A_SECOND - monotonic()))
                _, _, action, payload = self._message()
                self._ask(box, action, payload)
                if number % 200 == 199:
                    self._answer_seconds()
        more = self._rows() - before
        self._require(more == 1, f"{more} readings of one that was said {REPLAYS} times")
        self._say(f"a reading that comes {REPLAYS} times: recorded {more} x")

    def limits(self) -> None:
        """Set and clear limits without end: each is obeyed, and the daemon answers meanwhile."""
        if self._version == "1.6":
            return
        period = {"startPeriod": 0, "limit": 6.0}
        schedule = {"id": 1, "chargingRateUnit": "A", "chargingSchedulePeriod": [period]}
        by = {"chargingLimitSource": "SO"}
        with self._box() as box:
            began = monotonic()
            for number in range(LIMITS):
                notice = {"chargingLimit": by, "chargingSchedule": [schedule]}
                self._ask(box, *(("ClearedChargingLimit", by) if number % 2 else
                                 ("NotifyChargingLimit", notice)))  # fmt: skip
            seconds = monotonic() - began
            self._ask(box, "ClearedChargingLimit", by)
        rate = LIMITS / seconds
        self._require(rate <= 1.5, f"{rate:.1f} limits a second are taken")
        self._answer_seconds()
        self._say(f"limits that come and go: {rate:.1f} a second are taken, the daemon answers")

    def _say(self, line: str) -> None:
        self._tell(f"OCPP {self._version}: {line}")

    # --- parts ------------------------------------------------------------------------------------

    def _message(self) -> list[Any]:
        """Return a message with a reading, the same each time."""
        if self._version == "1.6":
            values = [{"timestamp": self._at, "sampledValue": [{"value": "1234500"}]}]
            return [2, "odd", "MeterValues", {"connectorId": 1, "meterValue": values}]
        samples = [{"value": 1234500, "measurand": "Energy.Active.Import.Register"}]
        return [2, "odd", "TransactionEvent", {
            "eventType": "Updated", "timestamp": self._at, "triggerReason": "MeterValuePeriodic",
            "seqNo": 4, "transactionInfo": {"transactionId": f"replayed {self._version}"},
            "evse": {"id": 1}, "meterValue": [{"timestamp": self._at, "sampledValue": samples}],
        }]  # fmt: skip

    def _is_served(self, when: str) -> None:
        """See that the box gets in, is answered, and that the daemon answers a person."""
        try:
            with self._box() as box:
                status = _STATUS["1.6" if self._version == "1.6" else "2"]
                self._ask(box, "Heartbeat", {})
                self._ask(box, "StatusNotification", status)
        except (OSError, TimeoutError, ConnectionClosed) as error:
            self.wrong.append(f"OCPP {self._version}: {when} the box is not served: {error!r}")
        self._answer_seconds()

    def _ask(self, box: Connection, action: str, payload: dict[str, Any]) -> None:
        """Send a request, answer what is asked meanwhile, and wait for the answer."""
        unique = f"asked-{next(self._numbers)}"
        box.send(json.dumps([2, unique, action, payload]))
        while True:
            frame = json.loads(box.recv(timeout=10))
            if frame[0] == 2:
                box.send(json.dumps([4, frame[1], "NotImplemented", "", {}]))
            elif frame[1] == unique:
                self._require(frame[0] == 3, f"{action}: {frame[2:4]}")
                return

    def _answer_seconds(self) -> None:
        """See that the daemon answers a person in time."""
        name, began = f"door-{self._version}-{next(self._numbers)}", monotonic()
        self._person.say(TOPICS.request(POINT), {"id": name, "charge_now": True, "preview": True})
        self._person.wait_for(TOPICS.answer(POINT), id=name)
        seconds = monotonic() - began
        self._require(seconds < MOST_ANSWER_SECONDS, f"the daemon answers after {seconds:.1f} s")

    def _rows(self) -> int:
        with closing(sqlite3.connect(self._ledger)) as connection:
            [[rows]] = connection.execute("SELECT count(*) FROM readings").fetchall()
        return int(rows)

    @contextmanager
    def _box(self, offered: str | None = None) -> Iterator[Connection]:
        protocol = f"ocpp{self._version}" if offered is None else offered
        with connect(
            f"ws://127.0.0.1:{self._port}/{IDENTITY}", proxy=None, close_timeout=1,
            subprotocols=[Subprotocol(protocol)] if protocol else None,
            additional_headers=authorization(IDENTITY, PASSWORD),
        ) as box:  # fmt: skip
            yield box

    def _socket(self, address: str) -> socket.socket:
        return socket.create_connection(("127.0.0.1", self._port), 10, (address, 0))

    @contextmanager
    def _raw(self) -> Iterator[socket.socket]:
        """Yield the connection of the box after its handshake."""
        with self._socket("127.0.0.1") as box:
            box.sendall(self._handshake(f"/{IDENTITY}", authorization(IDENTITY, PASSWORD)))
            self._require(box.recv(1000)[9:12] == b"101", "the box gets in")
            yield box

    def _status(self, path: str, headers: dict[str, str], address: str) -> int:
        """Return the status of the answer to a handshake; 0 if it is closed instead."""
        with self._socket(address) as stranger, suppress(ConnectionError):
            stranger.sendall(self._handshake(path, headers))
            found = stranger.recv(1000)[9:12]
            return int(found) if found else 0
        return 0

    def _handshake(self, path: str, headers: dict[str, str]) -> bytes:
        lines = [
            f"GET {path} HTTP/1.1", "Host: x", "Upgrade: websocket", "Connection: Upgrade",
            "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==", "Sec-WebSocket-Version: 13",
            f"Sec-WebSocket-Protocol: ocpp{self._version}",
            *(f"{key}: {value}" for key, value in headers.items()),
        ]  # fmt: skip
        return ("\r\n".join(lines) + "\r\n\r\n").encode()

    def _require(self, holds: bool, otherwise: str) -> None:  # noqa: FBT001 - a condition
        if not holds:
            self.wrong.append(f"OCPP {self._version}: {otherwise}")


def _closed_with(box: Connection) -> int:
    """Read until the connection ends, and return the code with which it does."""
    try:
        while True:
            box.recv(timeout=10)
    except ConnectionClosed as error:
        return error.rcvd.code if error.rcvd is not None else 1006
    except TimeoutError:
        return 0


def _send_until_closed(box: socket.socket, frames: bytes) -> bool:
    """Send frames without end; return whether the other side has ended it."""
    try:
        for _ in range(1000):
            box.sendall(frames)
    except ConnectionError:
        return True
    return False
