"""The connection of a simulated box: OCPP-J frames as JSON on a raw websocket."""

from __future__ import annotations

import base64
import json
from collections.abc import Callable
from threading import Event, Lock, Thread
from typing import Any

from websockets.exceptions import ConnectionClosed, InvalidHandshake
from websockets.sync.client import connect
from websockets.typing import Subprotocol

CALL, RESULT, ERROR = 2, 3, 4
Answer = dict[str, Any] | str
"""The payload of an answer, or the code of a CALLERROR."""


class LostError(Exception):
    """There is no connection, or an answer was lost."""


class Link:
    """One connection."""

    def __init__(
        self,
        url: str,
        identity: str,
        password: str | None,
        on_call: Callable[[str, dict[str, Any]], Answer | None],
        *,
        answers_after: float,
        answer_seconds: float,
        version: str = "1.6",
        check: Callable[[int, str, Any], None] = lambda *_: None,
    ) -> None:
        headers = {}
        if password is not None:
            pair = base64.b64encode(f"{identity}:{password}".encode()).decode()
            headers["Authorization"] = f"Basic {pair}"
        try:
            self._socket = connect(
                f"{url}/{identity}", subprotocols=[Subprotocol(f"ocpp{version}")], proxy=None,
                additional_headers=headers, open_timeout=5, close_timeout=1,
            )  # fmt: skip
        except (OSError, InvalidHandshake, TimeoutError) as error:
            raise LostError(str(error)) from error
        self._on_call = on_call
        self._check = check
        self._answers_after = answers_after
        self._answer_seconds = answer_seconds
        self._sending = Lock()
        self._waiting: dict[str, tuple[Event, list[Any]]] = {}
        self._number = 0
        self._closing = Event()
        self.is_open = True
        self.heard = 0
        """How many calls have come."""
        self._reader = Thread(target=self._read, daemon=True)
        self._reader.start()

    def call(self, action: str, payload: dict[str, Any]) -> dict[str, Any]:
        """Send a request and return its answer."""
        self._number += 1
        unique, arrived, answer = str(self._number), Event(), list[Any]()
        self._check(CALL, action, payload)
        self._waiting[unique] = (arrived, answer)
        self._send([CALL, unique, action, payload])
        if not arrived.wait(self._answer_seconds) or not answer:
            raise LostError(action)
        if answer[0] == ERROR:
            raise AssertionError(f"{action} {payload} was answered {answer}")
        self._check(RESULT, action, answer[1])
        return dict(answer[1])

    def close(self) -> None:
        self.is_open = False
        self._closing.set()
        self._socket.close()
        self._reader.join(5)

    def _send(self, frame: list[Any]) -> None:
        try:
            with self._sending:
                self._socket.send(json.dumps(frame))
        except (ConnectionClosed, OSError) as error:
            self.is_open = False
            raise LostError(str(error)) from error

    def _read(self) -> None:
        try:
            for text in self._socket:
                self._take(json.loads(text))
        except (ConnectionClosed, OSError, LostError):
            pass
        self.is_open = False
        for arrived, _ in list(self._waiting.values()):
            arrived.set()

    def _take(self, frame: list[Any]) -> None:
        if frame[0] == CALL:
            _, unique, action, payload = frame
            self._check(CALL, action, payload)
            if self._answers_after:
                self._closing.wait(self._answers_after)  # of the daemon's own time
            answer = self._on_call(action, payload)
            self.heard += 1
            if isinstance(answer, str):
                self._send([ERROR, unique, answer, "", {}])
            elif answer is not None:
                self._check(RESULT, action, answer)
                self._send([RESULT, unique, answer])
        elif frame[1] in self._waiting:
            arrived, answers = self._waiting.pop(frame[1])
            answers += [frame[0], frame[2]]
            arrived.set()
