"""Decide which equipment may connect.

It is known by the last part of its path. It proves it by HTTP basic authentication (RFC 7617) or a
certificate of its own, or comes from an address that the household file lets in without.
"""

from __future__ import annotations

import asyncio
import base64
import binascii
import hmac
import ipaddress
import re
from collections.abc import Callable, Sequence
from http import HTTPStatus
from time import monotonic
from typing import Any, Final
from urllib.parse import unquote

import structlog
from websockets.asyncio.server import ServerConnection
from websockets.http11 import Request, Response
from websockets.typing import Subprotocol

from adapters.host.limited_listening import network_of
from adapters.host.wrong_passwords import (
    MOST_HELD_SECONDS,
    MOST_SECONDS,
    WrongPasswords,
)
from adapters.ocpp_point.point import Equipment
from config.files.errors import FileError
from config.files.secret_files import read_password

VERSIONS: Final = ("2.1", "2.0.1", "1.6")
"""The versions of OCPP, the best one first."""
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
    seconds
        A clock that only grows [seconds].
    """

    def __init__(
        self,
        equipment: Sequence[Equipment],
        is_open: Callable[[], bool] = lambda: True,
        seconds: Callable[[], float] = monotonic,
    ) -> None:
        self._is_open = is_open
        self._by_identity = {each.identity: each for each in equipment}
        self.on_accepted: Callable[[tuple[Any, ...]], None] = lambda _: None
        """Called with the address and port of each connection that is accepted."""
        self._seconds = seconds
        self._wrong = WrongPasswords()
        self._held: set[str] = set()

    def bars(self, address: str) -> bool:
        """Return whether connections of an address can be closed at once, after wrong passwords."""
        return self._wrong.bars(address, self._seconds())

    @property
    def alarm(self) -> str | None:
        """What was tried, in words for people, if passwords are being guessed; from any thread."""
        return self._wrong.alarm(self._seconds())

    def equipment_at(self, path: str) -> Equipment | None:
        """Return the equipment that this path belongs to."""
        # It appends its identity to the address that it was given, which may have a path.
        before, slash, identity = path.partition("?")[0].rpartition("/")
        is_path = slash and (not before or before[0] == "/")
        return self._by_identity.get(unquote(identity)) if is_path else None

    async def check(self, connection: ServerConnection, request: Request) -> Response | None:
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
            404 for a path of no charge point, 401 for a wrong password, 429 after wrong ones, 503
            while nobody may connect yet or the password can't be read; None accepts the connection.
        """
        peer = connection.remote_address or ("",)
        equipment = self.equipment_at(request.path)
        identity = equipment.identity if equipment is not None else ""
        if not await self._may_try(identity, network_of(peer)):
            refusal = connection.respond(HTTPStatus.TOO_MANY_REQUESTS, "Try again later.\n")
            refusal.headers["Retry-After"] = str(int(MOST_SECONDS))
            return refusal
        response = self._judge(connection, request, equipment)
        if response is None:
            self._wrong.note_right(identity, network_of(peer))
            self.on_accepted(peer)
        elif response.status_code != HTTPStatus.SERVICE_UNAVAILABLE:
            self._wrong.note_wrong(identity, network_of(peer), self._seconds())
        return response

    def select_subprotocol(
        self, connection: ServerConnection, offered: Sequence[Subprotocol]
    ) -> Subprotocol | None:
        """Choose the best version of OCPP that is offered, or the one that the file names.

        Without one the server completes the handshake and closes the connection at once, as the
        standard says (OCPP-J 1.6, section 3.2).

        Returns
        -------
        Subprotocol or None
            None if no version fits.
        """
        request = connection.request
        equipment = self.equipment_at(request.path) if request is not None else None
        wanted = equipment.version if equipment is not None else None
        versions = VERSIONS if wanted is None else (wanted,)
        known = (Subprotocol(f"ocpp{version}") for version in versions)
        return next((each for each in known if each in offered), None)

    async def _may_try(self, identity: str, address: str) -> bool:
        """Wait as long as wrong passwords demand; not at all where that is long, and once only."""
        wait = self._wrong.wait_seconds(identity, address, self._seconds())
        if wait == 0:
            return True
        if wait > MOST_HELD_SECONDS or address in self._held:
            return False
        self._held.add(address)
        try:
            await asyncio.sleep(wait)
        finally:
            self._held.discard(address)
        return True

    def _judge(
        self, connection: ServerConnection, request: Request, equipment: Equipment | None
    ) -> Response | None:
        if equipment is None:
            _log.warning("unknown equipment refused", path=request.path[:100])
            return connection.respond(HTTPStatus.NOT_FOUND, "No charge point has this path.\n")
        if not self._is_open():
            return connection.respond(HTTPStatus.SERVICE_UNAVAILABLE, "Try again later.\n")
        if equipment.certificate_name:
            return _judge_certificate(connection, equipment)
        if _is_within(connection.remote_address, equipment.networks):
            return None
        return _judge_password(connection, request, equipment)


def _judge_password(
    connection: ServerConnection, request: Request, equipment: Equipment
) -> Response | None:
    if equipment.password_file is None:
        _log.warning("equipment refused: not from its network", charge_point=equipment.name)
        return _unauthorized(connection)
    try:
        password = read_password(equipment.password_file)
    except FileError as error:
        _log.warning("equipment refused", charge_point=equipment.name, reason=str(error))
        return connection.respond(HTTPStatus.SERVICE_UNAVAILABLE, "Try again later.\n")
    if _is_authenticated(request.headers.get_all("Authorization"), equipment.identity, password):
        return None
    _log.warning("equipment refused: wrong password", charge_point=equipment.name)
    return _unauthorized(connection)


def _judge_certificate(connection: ServerConnection, equipment: Equipment) -> Response | None:
    """Let equipment in by its certificate, which TLS has verified."""
    tls = connection.transport.get_extra_info("ssl_object")
    shown = _common_names(tls.getpeercert() if tls is not None else None)
    if shown == [equipment.certificate_name]:
        return None
    _log.warning(
        "equipment refused: not its certificate", charge_point=equipment.name,
        shown=", ".join(shown)[:100],
    )  # fmt: skip
    return _unauthorized(connection)


def _unauthorized(connection: ServerConnection) -> Response:
    response = connection.respond(HTTPStatus.UNAUTHORIZED, "Wrong user or password.\n")
    response.headers["WWW-Authenticate"] = f'Basic realm="{REALM}", charset="UTF-8"'
    return response


def _common_names(certificate: object) -> list[str]:
    """List the common names in a certificate's subject, as the package ssl shows it."""
    subject = certificate.get("subject", ()) if isinstance(certificate, dict) else ()
    return [value for part in subject for key, value in part if key == "commonName"]


def _is_within(peer: Any, networks: Sequence[str]) -> bool:  # noqa: ANN401 - as the system has it
    """Whether a connection comes from one of the networks."""
    if not peer or not networks:
        return False
    try:
        address = ipaddress.ip_address(str(peer[0]).partition("%")[0])
    except ValueError:
        return False
    mapped = getattr(address, "ipv4_mapped", None) or address
    return any(mapped in ipaddress.ip_network(each) for each in networks)


def version_of(subprotocol: str | None) -> str:
    """Return the version of OCPP that a subprotocol means."""
    return (subprotocol or "").removeprefix("ocpp")


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
