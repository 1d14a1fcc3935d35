"""What a household declares about equipment that speaks OCPP 1.6J.

OCPP is the Open Charge Alliance's standard between charge points and a central system. The daemon
is the central system and listens; each charge point connects to its own path.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Annotated, Self

from pydantic import Field, model_validator

from config.fields.addresses import Address, ListenAddress, address_of
from config.fields.key_problems import KeyProblem, refuse
from config.fields.value_types import Expected, FilePath, Flag, Model, checked

_IDENTITY = re.compile(r"[A-Za-z0-9._~ -]{1,48}", re.ASCII)
_MOST_CONNECTORS = 64


def _is_identity(text: str) -> bool:
    return _IDENTITY.fullmatch(text) is not None and text == text.strip()


class OcppListener(Model):
    """Where the daemon listens for equipment that speaks OCPP 1.6J."""

    listen: Annotated[ListenAddress, Expected('an address and a port such as "127.0.0.1:8887"')] = (
        Field(description="HOST:PORT to listen on.")
    )
    certificate_file: FilePath | None = Field(
        None, description="Certificate chain (PEM) of this machine, for connections with TLS."
    )
    key_file: FilePath | None = Field(None, description="Private key (PEM) of the certificate.")
    in_the_clear: Flag = Field(
        default=False,
        description="Needed to listen beyond this machine without TLS: passwords cross the network "
        "unencrypted.",
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        refuse([*self._tls_problems(), *self._clear_problems()])
        return self

    def _tls_problems(self) -> Iterator[KeyProblem]:
        if self.certificate_file is not None and self.key_file is None:
            yield KeyProblem(("certificate_file",), "expected a key_file beside it")
        if self.key_file is not None and self.certificate_file is None:
            yield KeyProblem(("key_file",), "expected a certificate_file beside it")

    def _clear_problems(self) -> Iterator[KeyProblem]:
        has_keys = self.certificate_file is not None or self.key_file is not None
        if has_keys and self.in_the_clear:
            yield KeyProblem(
                ("in_the_clear",), "expected either TLS keys or in_the_clear, got both"
            )
        elif not (has_keys or self.in_the_clear or self.is_loopback):
            yield KeyProblem(
                ("listen",),
                "expected certificate_file and key_file, since others can reach this address; "
                "in_the_clear: true if that is meant, on a network of your own",
            )

    @property
    def _address(self) -> Address:
        return address_of(self.listen)

    @property
    def host(self) -> str:
        """Name or address to listen on."""
        return self._address.host

    @property
    def port(self) -> int:
        """TCP port to listen on."""
        return self._address.port

    @property
    def is_loopback(self) -> bool:
        """Whether only this machine can reach it."""
        return self._address.is_loopback


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
