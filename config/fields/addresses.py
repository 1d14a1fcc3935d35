"""Read addresses to listen on, written as HOST:PORT."""

from __future__ import annotations

import ipaddress
import re
from dataclasses import dataclass
from typing import Annotated

from config.fields.value_types import checked

HOST = r"\[[0-9A-Fa-f:.]+\]|[A-Za-z0-9]([A-Za-z0-9._-]*[A-Za-z0-9])?"
"""A host name or IP address, as a regular expression."""
_ADDRESS = re.compile(rf"(?P<host>{HOST}):(?P<port>[0-9]{{1,5}})", re.ASCII)


@dataclass(frozen=True, slots=True)
class Address:
    """A host name or IP address of this machine, and a TCP port."""

    host: str
    port: int

    @property
    def is_loopback(self) -> bool:
        """Whether only this machine can reach it."""
        try:
            return ipaddress.ip_address(self.host).is_loopback
        except ValueError:
            return self.host == "localhost"


def is_this_machine(host: str) -> bool:
    """Tell whether a host name or IP address to connect to is that of this machine."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost" or host.endswith(".localhost")  # RFC 6761, section 6.3


def address_of(text: str) -> Address:
    """Read an address.

    Parameters
    ----------
    text : str
        HOST:PORT; an IPv6 address stands in square brackets.

    Returns
    -------
    Address
        Its parts.

    Raises
    ------
    ValueError
        If it is no such address.
    """
    parts = _ADDRESS.fullmatch(text)
    if parts is None or not 1 <= int(parts["port"]) <= 65535:  # noqa: PLR2004 - range of TCP ports
        raise ValueError(text)
    return Address(parts["host"].strip("[]"), int(parts["port"]))


def _is_address(text: str) -> bool:
    try:
        address_of(text)
    except ValueError:
        return False
    return True


ListenAddress = Annotated[str, checked(_is_address)]
"""HOST:PORT; each field adds an `Expected` with its own example."""
