"""What a household declares about its page: where it is served, and under which names."""

from __future__ import annotations

import ipaddress
import re
from typing import TYPE_CHECKING, Annotated

from pydantic import Field
from typing_extensions import override

from config.calendar.day_kinds import repeated
from config.doors.broker import UserName
from config.doors.listener import Listener
from config.fields.addresses import HOST, ListenAddress
from config.fields.key_problems import KeyProblem
from config.fields.value_types import Expected, FilePath, Flag, checked

if TYPE_CHECKING:
    from collections.abc import Iterator

    from config.doors.broker import Bus

_HOST = re.compile(HOST, re.ASCII)
_LOOPBACK_NAMES = ("localhost", "127.0.0.1", "[::1]")


def _is_host(text: str) -> bool:
    return _HOST.fullmatch(text) is not None


HostName = Annotated[
    str,
    checked(_is_host),
    Expected('a name or address without a port, such as "home.lan" or "192.168.1.10"'),
]


class Page(Listener):
    """Where the household's page is served."""

    listen: Annotated[ListenAddress, Expected('an address and a port such as "127.0.0.1:8480"')] = (
        Field(description="HOST:PORT to listen on.")
    )
    in_the_clear: Flag = Field(
        default=False,
        description="Needed to listen beyond this machine without TLS: whoever can read along in "
        "the network can also take over a paired device's rights.",
    )
    names: Annotated[tuple[HostName, ...], Field(strict=False, max_length=20)] = Field(
        (),
        description="Names and addresses by which phones reach the page; the first one is in the "
        "picture of `lullwatt page --pair`. A request for any other name is refused. Without: the "
        "address of listen.",
    )
    devices_file: FilePath = Field(
        description="The file of paired devices; made when it is missing."
    )

    username: UserName | None = Field(
        None,
        description="Name to sign in to the broker with, which needs the rights of a person; "
        "without: as under bus.",
    )
    password_file: FilePath | None = Field(
        None, description="File with its password in one line; only its owner may read it."
    )

    @override
    def _more_problems(self) -> Iterator[KeyProblem]:
        for one, other in (("username", "password_file"), ("password_file", "username")):
            if getattr(self, one) is not None and getattr(self, other) is None:
                yield KeyProblem((one,), f"expected a {other} beside it")
        yield from repeated(self.names or None, "names")
        if not self.names and _is_any(self.host):
            yield KeyProblem(
                ("listen",),
                "expected names beside it: by which names and addresses phones reach this machine",
            )

    @property
    def hosts(self) -> tuple[str, ...]:
        """The names under which the page answers, as browsers send them, the best first."""
        own = () if _is_any(self.host) else (_in_url(self.host),)
        more = _LOOPBACK_NAMES if self.is_loopback else ()
        return tuple(dict.fromkeys(name.lower() for name in (*self.names, *own, *more)))

    def account_of(self, bus: Bus) -> Bus:
        """Return the household's bus, signed in to with the page's own account if it has one."""
        if self.username is None:
            return bus
        return bus.model_copy(
            update={"username": self.username, "password_file": self.password_file}
        )

    @property
    def url(self) -> str:
        """The address of the page for a browser, without a path."""
        return f"{'https' if self.has_tls else 'http'}://{self.hosts[0]}:{self.port}"


def _is_any(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_unspecified
    except ValueError:
        return False


def _in_url(host: str) -> str:
    return f"[{host}]" if ":" in host else host
