"""Addresses to listen on: HOST:PORT as text."""

from __future__ import annotations

import ipaddress
import re
from dataclasses import dataclass
from typing import Annotated

from config.fields.value_types import checked

_HOST = r"\[[0-9A-Fa-f:.]+\]|[A-Za-z0-9]([A-Za-z0-9._-]*[A-Za-z0-9])?"
_ADDRESS = re.compile(rf"(?P<host>{_HOST}):(?P<port>[0-9]{{1,5}})", re.ASCII)


@dataclass(frozen=True, slots=True)
class Address:
    """A name or an address of this machine, and a TCP port."""

    host: str
    port: int

    @property
    def is_loopback(self) -> bool:
        """Whether nobody but this machine can reach it."""
        try:
            return ipaddress.ip_address(self.host).is_loopback
        except ValueError:
            return self.host == "localhost"


def address_of(listen: str) -> Address:
    """Read an address.

    Parameters
    ----------
    listen : str
        HOST:PORT, an IPv6 address in square brackets.

    Returns
    -------
    Address
        Its parts.

    Raises
    ------
    ValueError
        If it is none.
    """
    parts = _ADDRESS.fullmatch(listen)
    if parts is None or not 1 <= int(parts["port"]) <= 65535:  # noqa: PLR2004 - range of TCP ports
        raise ValueError(listen)
    return Address(parts["host"].strip("[]"), int(parts["port"]))


def _is_address(text: str) -> bool:
    try:
        address_of(text)
    except ValueError:
        return False
    return True


ListenAddress = Annotated[str, checked(_is_address)]
"""HOST:PORT; whoever uses it says with `Expected` what such an address looks like."""
