"""What a household declares about equipment that speaks OCPP 1.6J.

OCPP is the Open Charge Alliance's standard between charge points and a central system. The daemon
is the central system and listens; each charge point connects to its own path.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Annotated

from pydantic import Field

from config.fields.addresses import ListenAddress
from config.fields.key_problems import KeyProblem
from config.fields.value_types import Expected, FilePath, Flag, Model, checked
from config.household.listener import Listener

_IDENTITY = re.compile(r"[A-Za-z0-9._~ -]{1,48}", re.ASCII)
_MOST_CONNECTORS = 64


def _is_identity(text: str) -> bool:
    return _IDENTITY.fullmatch(text) is not None and text == text.strip()


class OcppListener(Listener):
    """Where the daemon listens for equipment that speaks OCPP 1.6J."""

    listen: Annotated[ListenAddress, Expected('an address and a port such as "127.0.0.1:8887"')] = (
        Field(description="HOST:PORT to listen on.")
    )
    in_the_clear: Flag = Field(
        default=False,
        description="Needed to listen beyond this machine without TLS: passwords cross the network "
        "unencrypted.",
    )


class OcppPoint(Model):
    """How one charge point is known in OCPP."""

    identity: Annotated[
        str,
        checked(_is_identity),
        Expected(
            "an identity of 1 to 48 letters a-z, digits, spaces or . _ ~ -, as the equipment has it"
        ),
    ] = Field(description="Charge point identity: the end of its path, and its user name.")
    password_file: FilePath = Field(description="File that holds its password.")
    connector: Annotated[
        int,
        Field(ge=1, le=_MOST_CONNECTORS),
        Expected(f"a whole number from 1 to {_MOST_CONNECTORS}"),
    ] = Field(1, description="Number of its connector.")
    home_meter: Flag = Field(
        default=False,
        description="Whether it has a meter at the home's grid connection: what it reports for the "
        "location Inlet is then the load of the whole home, with the charge points.",
    )


def ocpp_problems(points: Mapping[str, OcppPoint | None], *, listens: bool) -> Iterator[KeyProblem]:
    """Find what is wrong between the OCPP parts of a file.

    Parameters
    ----------
    points : mapping of str to OcppPoint or None
        By the names of the charge points.
    listens : bool
        Whether the file says where to listen.

    Yields
    ------
    KeyProblem
        With paths from the top of the file.
    """
    seen: dict[str, str] = {}
    for name, point in points.items():
        if point is None:
            continue
        if not listens:
            message = 'expected a key "ocpp" at the top of the file, which says where to listen'
            yield KeyProblem(("charge_points", name, "ocpp"), message)
        other = seen.setdefault(point.identity, name)
        if other != name:
            yield KeyProblem(
                ("charge_points", name, "ocpp", "identity"),
                f'expected a unique identity, got "{point.identity}", also that of "{other}"',
            )
