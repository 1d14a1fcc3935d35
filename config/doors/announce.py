"""What a household declares about announcing its doors in the home's network; off by default.

Announced by multicast DNS and DNS-based service discovery (RFC 6762 and RFC 6763).
"""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Iterator, Mapping
from typing import Annotated, Final, Literal, Self

from pydantic import Field, WithJsonSchema, model_validator

from config.calendar.day_kinds import repeated
from config.doors.broker import Bus
from config.doors.listener import Listener
from config.doors.page import Page
from config.fields.addresses import is_this_machine
from config.fields.key_problems import KeyProblem, refuse
from config.fields.value_types import Expected, Model, checked

Service = Literal["page", "broker", "ocpp"]
SERVICES: Final = ("page", "broker", "ocpp")
DOOR_KEYS: Final[Mapping[Service, str]] = {"page": "page", "broker": "bus", "ocpp": "ocpp"}
"""The key at the top of the file under which the door of each service is declared."""

_HOST: Final = re.compile(r"[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?\.local", re.ASCII)
_MOST_BYTES: Final = 63
"""Of an instance name: RFC 6763, section 4.1.1."""


def _is_instance_name(text: str) -> bool:
    fits = 1 <= len(text.encode()) <= _MOST_BYTES
    return fits and text.isprintable() and "." not in text and text == text.strip()


def _is_private(text: str) -> bool:
    try:
        address = ipaddress.ip_address(text)
    except ValueError:
        return False
    # One that holds on one link only is announced nowhere: it names no network.
    return address.is_private and not (
        address.is_loopback or address.is_unspecified or address.is_link_local
    )


class Announce(Model):
    """Which doors are announced in the home's network, and by which names."""

    services: Annotated[
        tuple[Annotated[Service, Expected("page, broker or ocpp", SERVICES)], ...],
        Field(strict=False, min_length=1, max_length=3),
    ] = Field(description="Which doors: page, broker, ocpp.")
    host: Annotated[
        str,
        checked(lambda text: _HOST.fullmatch(text) is not None),
        Expected('a name in lower case that ends in .local, such as "kowhai-cottage.local"'),
    ] = Field(
        description="Name by which this machine is found; no other machine of the network may "
        "have it, and certificates of the doors must name it."
    )
    name: (
        Annotated[
            str,
            checked(_is_instance_name),
            Expected("a name of 1 to 63 bytes without dots or control characters"),
        ]
        | None
    ) = Field(None, description="Name under which lists show it; without: that of the household.")
    addresses: Annotated[
        tuple[
            Annotated[
                str,
                checked(_is_private),
                Expected("an address of this machine in the home's network, such as 192.168.1.10"),
            ],
            ...,
        ],
        Field(strict=False, max_length=10),
        WithJsonSchema({"type": "array", "items": {"type": "string"}, "maxItems": 10}),
    ] = Field(
        (),
        description="Addresses of this machine that are announced, each in its own network; "
        "without: all that belong to private networks.",
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        refuse(
            [*repeated(self.services, "services"), *repeated(self.addresses or None, "addresses")]
        )
        return self

    def name_for(self, household: str) -> str:
        """Return the name under which lists show the home.

        Parameters
        ----------
        household : str
            Its name in the file.

        Returns
        -------
        str
            `name`, else that of the household, without dots and cut to 63 bytes.
        """
        if self.name is not None:
            return self.name
        return household.replace(".", " ").encode()[:_MOST_BYTES].decode(errors="ignore").strip()


def announce_problems(
    announce: Announce | None, doors: Mapping[str, Listener | Bus | None]
) -> Iterator[KeyProblem]:
    """Find announced doors that are not there, or that nobody else can reach.

    Parameters
    ----------
    announce : Announce or None
        What is announced; None if nothing is, or if it is invalid.
    doors : mapping of str to Listener, Bus or None
        By their keys in the file; None for one that is invalid.

    Yields
    ------
    KeyProblem
        With paths from the top of the file.
    """
    for place, service in enumerate(announce.services if announce is not None else ()):
        key = DOOR_KEYS[service]
        path = ("announce", "services", place)
        door = doors.get(key)
        if key not in doors:
            yield KeyProblem(path, f'expected a key "{key}" at the top of the file, which it needs')
        elif door is not None and _only_here(door):
            at = "broker" if isinstance(door, Bus) else "listen"
            yield KeyProblem(
                path,
                f'expected an address under "{key}", {at}, that others can reach: only this'
                " machine can reach that one",
            )
        elif announce is not None and isinstance(door, Page) and announce.host not in door.hosts:
            yield KeyProblem(
                ("announce", "host"),
                f"expected it among names under page as well, got {announce.host}: the page answers"
                " to no other names",
            )


def _only_here(door: Listener | Bus) -> bool:
    if isinstance(door, Bus):
        # A broker with TLS has it for others, also where the daemon beside it uses the loopback.
        return is_this_machine(door.host) and not door.tls
    return door.is_loopback
