"""Who may connect: one path for each charge point, and HTTP basic authentication (RFC 7617)."""

from __future__ import annotations

import base64
import binascii
import hmac
import re
from collections.abc import Callable, Sequence
from http import HTTPStatus
from typing import Final
from urllib.parse import unquote

import structlog
from websockets.asyncio.server import ServerConnection
from websockets.http11 import Request, Response
from websockets.typing import Subprotocol

from adapters.ocpp.point import Equipment
from config.files.errors import FileError
from config.files.secret_files import read_password

SUBPROTOCOL: Final = Subprotocol("ocpp1.6")
REALM: Final = "charge points"

_BASIC: Final = re.compile(r"basic +([A-Za-z0-9+/=_-]+) *", re.ASCII | re.IGNORECASE)
_KEY: Final = re.compile(r"[0-9A-Fa-f]{40}", re.ASCII)

_log = structlog.get_logger(__name__)


class Authenticator:
    """Lets equipment in, or says why not.

    Parameters
    ----------
    equipment
        Who may come in.
    is_open
        Whether anybody may yet.
    """

    def __init__(
        self, equipment: Sequence[Equipment], is_open: Callable[[], bool] = lambda: True
    ) -> None:
        self._is_open = is_open
        self._by_identity = {each.identity: each for each in equipment}

    def equipment_at(self, path: str) -> Equipment | None:
        """Find whose path this is."""
        return self._by_identity.get(unquote(path.removeprefix("/"))) if path[:1] == "/" else None

    def check(self, connection: ServerConnection, request: Request) -> Response | None:
        """Answer the request for a connection.

        Parameters
        ----------
        connection
            The connection, which makes the answer.
        request
            What was asked.

        Returns
        -------
        Response or None
            404 for a path that is nobody's, 401 for a wrong password, 503 while nobody may enter
            yet or the password can't be read; None lets it in.
        """
        equipment = self.equipment_at(request.path)
        if equipment is None:
            _log.warning("unknown equipment turned away", path=request.path[:100])
            return connection.respond(HTTPStatus.NOT_FOUND, "No charge point has this path.\n")
        if not self._is_open():
            return connection.respond(HTTPStatus.SERVICE_UNAVAILABLE, "Try again later.\n")
        try:
            password = read_password(equipment.password_file)
        except FileError as error:
            _log.warning("equipment turned away", charge_point=equipment.name, reason=str(error))
            return connection.respond(HTTPStatus.SERVICE_UNAVAILABLE, "Try again later.\n")
        if _is_let_in(request.headers.get_all("Authorization"), equipment.identity, password):
            return None
        _log.warning("equipment turned away: wrong password", charge_point=equipment.name)
        response = connection.respond(HTTPStatus.UNAUTHORIZED, "Wrong user or password.\n")
        response.headers["WWW-Authenticate"] = f'Basic realm="{REALM}", charset="UTF-8"'
        return response


def select_subprotocol(
    _connection: ServerConnection, offered: Sequence[Subprotocol]
) -> Subprotocol | None:
    """Choose OCPP 1.6 if it is offered.

    Without it the handshake is completed, and the connection closed at once, as the standard says
    (OCPP-J 1.6, section 3.2).

    Returns
    -------
    Subprotocol or None
        None if it is not.
    """
    return SUBPROTOCOL if SUBPROTOCOL in offered else None


def _accepted(password: str) -> tuple[bytes, ...]:
    """List what stands for a password: 40 hex digits also for the 20 bytes that they write.

    Bytes are what OCPP-J 1.6 sends of an authorization key (section 6.2.2); much equipment sends
    the digits.

    Returns
    -------
    tuple of bytes
        One or two.
    """
    text = password.encode()
    return (text, bytes.fromhex(password)) if _KEY.fullmatch(password) else (text,)


def _is_let_in(headers: Sequence[str], identity: str, password: str) -> bool:
    found = _BASIC.fullmatch(headers[0]) if len(headers) == 1 else None
    if found is None:
        return False
    try:
        user, colon, said = base64.b64decode(found[1], validate=True).partition(b":")
    except (binascii.Error, ValueError):
        return False
    # No shortcut: how long an answer takes must not tell what was right.
    right = [hmac.compare_digest(said, each) for each in _accepted(password)]
    return hmac.compare_digest(user, identity.encode()) & any(right) & bool(colon)
