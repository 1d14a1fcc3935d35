"""Decide which equipment may connect.

It is known by its path, and proves it by HTTP basic authentication (RFC 7617).
"""

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
    """Accepts or refuses the connections of equipment.

    Parameters
    ----------
    equipment
        Who may connect.
    is_open
        Whether anybody may connect yet.
    """

    def __init__(
        self, equipment: Sequence[Equipment], is_open: Callable[[], bool] = lambda: True
    ) -> None:
        self._is_open = is_open
        self._by_identity = {each.identity: each for each in equipment}

    def equipment_at(self, path: str) -> Equipment | None:
        """Return the equipment that this path belongs to."""
        return self._by_identity.get(unquote(path.removeprefix("/"))) if path[:1] == "/" else None

    def check(self, connection: ServerConnection, request: Request) -> Response | None:
        """Accept or refuse a request for a connection.

        Parameters
        ----------
        connection
            The connection, which makes the response.
        request
            The request.

        Returns
        -------
        Response or None
            404 for a path of no charge point, 401 for a wrong password, 503 while nobody may
            connect yet or the password can't be read; None accepts the connection.
        """
        equipment = self.equipment_at(request.path)
        if equipment is None:
            _log.warning("unknown equipment refused", path=request.path[:100])
            return connection.respond(HTTPStatus.NOT_FOUND, "No charge point has this path.\n")
        if not self._is_open():
            return connection.respond(HTTPStatus.SERVICE_UNAVAILABLE, "Try again later.\n")
        try:
            password = read_password(equipment.password_file)
        except FileError as error:
            _log.warning("equipment refused", charge_point=equipment.name, reason=str(error))
            return connection.respond(HTTPStatus.SERVICE_UNAVAILABLE, "Try again later.\n")
        if _is_authenticated(
            request.headers.get_all("Authorization"), equipment.identity, password
        ):
            return None
        _log.warning("equipment refused: wrong password", charge_point=equipment.name)
        response = connection.respond(HTTPStatus.UNAUTHORIZED, "Wrong user or password.\n")
        response.headers["WWW-Authenticate"] = f'Basic realm="{REALM}", charset="UTF-8"'
        return response


def select_subprotocol(
    _connection: ServerConnection, offered: Sequence[Subprotocol]
) -> Subprotocol | None:
    """Choose OCPP 1.6 if it is offered.

    Without it the server completes the handshake and closes the connection at once, as the standard
    says (OCPP-J 1.6, section 3.2).

    Returns
    -------
    Subprotocol or None
        None if it is not.
    """
    return SUBPROTOCOL if SUBPROTOCOL in offered else None


def _accepted(password: str) -> tuple[bytes, ...]:
    """List the bytes to accept for a password; 40 hex digits may come as 20 bytes.

    OCPP-J 1.6 sends an authorization key as bytes (section 6.2.2); much equipment sends the digits.

    Returns
    -------
    tuple of bytes
        One or two.
    """
    text = password.encode()
    return (text, bytes.fromhex(password)) if _KEY.fullmatch(password) else (text,)


def _is_authenticated(headers: Sequence[str], identity: str, password: str) -> bool:
    found = _BASIC.fullmatch(headers[0]) if len(headers) == 1 else None
    if found is None:
        return False
    try:
        user, colon, password_sent = base64.b64decode(found[1], validate=True).partition(b":")
    except (binascii.Error, ValueError):
        return False
    # No shortcut: the time of an answer must not show what was right.
    right = [hmac.compare_digest(password_sent, each) for each in _accepted(password)]
    return hmac.compare_digest(user, identity.encode()) & any(right) & bool(colon)
