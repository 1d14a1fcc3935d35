"""What a household declares about equipment that speaks OCPP.

OCPP is the Open Charge Alliance's standard between charge points and a central system. The daemon
is the central system and listens; each charge point connects to its own path.
"""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Iterator, Mapping
from typing import Annotated, Final, Literal, Self

from pydantic import Field, WithJsonSchema, model_validator
from typing_extensions import override

from config.doors.listener import Listener
from config.fields.addresses import ListenAddress
from config.fields.key_problems import KeyProblem, refuse
from config.fields.value_types import Expected, FilePath, Flag, Model, checked

_IDENTITY = re.compile(r"[A-Za-z0-9._~ -]{1,48}", re.ASCII)
_MOST_CONNECTORS = 64
MOST_ALONE_AMPS: Final = 80.0
_LEAST_BITS: Final = {4: 16, 6: 48}
"""A network without passwords has at least so many bits; the user's own has no more addresses."""


def is_own_network(text: str) -> bool:
    """Return whether a text is an address or network that only machines of a home may have."""
    try:
        network = ipaddress.ip_network(text)
    except ValueError:
        return False
    is_own = network.is_private or network.is_link_local or network.is_loopback
    return is_own and network.prefixlen >= _LEAST_BITS[network.version]


def _is_identity(text: str) -> bool:
    return _IDENTITY.fullmatch(text) is not None and text == text.strip()


class OcppListener(Listener):
    """Where the daemon listens for equipment that speaks OCPP."""

    listen: Annotated[ListenAddress, Expected('an address and a port such as "127.0.0.1:8887"')] = (
        Field(description="HOST:PORT to listen on.")
    )
    in_the_clear: Flag = Field(
        default=False,
        description="Needed to listen beyond this machine without TLS: passwords cross the network "
        "unencrypted.",
    )
    client_ca_file: FilePath | None = Field(
        None,
        description="Authority (PEM) that signs the certificates of equipment: security profile 3.",
    )

    @override
    def _more_problems(self) -> Iterator[KeyProblem]:
        if self.client_ca_file is not None and not self.has_tls:
            yield KeyProblem(
                ("client_ca_file",),
                "expected certificate_file and key_file beside it, since only TLS has certificates",
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
    password_file: FilePath | None = Field(None, description="File that holds its password.")
    without_password_from: Annotated[
        tuple[
            Annotated[
                str,
                checked(is_own_network),
                Expected(
                    "an address or network of your own such as 192.168.7.20 or 192.168.7.0/28"
                ),
            ],
            ...,
        ],
        Field(strict=False, max_length=10),
        WithJsonSchema({"type": "array", "items": {"type": "string"}, "maxItems": 10}),
    ] = Field(
        (),
        description="Addresses or networks from which it may connect without a password, if it can "
        "send none. Anybody there can pass for it.",
    )
    certificate_name: (
        Annotated[str, Field(min_length=1, max_length=64), Expected("a text of 1 to 64 characters")]
        | None
    ) = Field(
        None,
        description="Common name of its own certificate, signed by client_ca_file: then it needs "
        "no password, and gets in by that certificate alone.",
    )
    alone_amps: Annotated[
        float,
        Field(ge=0, le=MOST_ALONE_AMPS),
        Expected(f"a current from 0 to {MOST_ALONE_AMPS:g} A"),
    ] = Field(
        0.0,
        description="What a charge may take that begins while the daemon is away [A per phase]; 0: "
        "it waits for the daemon.",
    )
    connector: Annotated[
        int,
        Field(ge=1, le=_MOST_CONNECTORS),
        Expected(f"a whole number from 1 to {_MOST_CONNECTORS}"),
    ] = Field(1, description="Number of its connector; in OCPP 2 that of its EVSE.")
    version: (
        Annotated[Literal["1.6", "2.0.1", "2.1"], Expected('"1.6", "2.0.1" or "2.1"')] | None
    ) = Field(
        None,
        description="The only version of OCPP to speak with it; without it the best that both can.",
    )
    home_meter: Flag = Field(
        default=False,
        description="Whether it has a meter at the home's grid connection: what it reports for the "
        "location Inlet is then the load of the whole home, with the charge points.",
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        refuse([*self._proof_problems()])
        return self

    def _proof_problems(self) -> Iterator[KeyProblem]:
        """Find equipment that has no way, or two ways, to prove who it is."""
        if self.certificate_name is not None:
            for key in ("password_file", "without_password_from"):
                if getattr(self, key):
                    yield KeyProblem((key,), "expected either it or certificate_name, got both")
        elif self.password_file is None and not self.without_password_from:
            yield KeyProblem(
                (),
                'missing key "password_file"; expected a path, absolute or from the folder of this'
                " file (~ is not replaced), or certificate_name, or without_password_from",
            )


def ocpp_problems(
    points: Mapping[str, OcppPoint | None], *, listens: bool, knows_certificates: bool
) -> Iterator[KeyProblem]:
    """Find what is wrong between the OCPP parts of a file.

    Parameters
    ----------
    points : mapping of str to OcppPoint or None
        By the names of the charge points.
    listens : bool
        Whether the file says where to listen.
    knows_certificates : bool
        Whether it names who signs the certificates of equipment.

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
        elif point.certificate_name is not None and not knows_certificates:
            yield KeyProblem(
                ("charge_points", name, "ocpp", "certificate_name"),
                'expected client_ca_file under the "ocpp" at the top of the file, which signs it',
            )
        other = seen.setdefault(point.identity, name)
        if other != name:
            yield KeyProblem(
                ("charge_points", name, "ocpp", "identity"),
                f'expected a unique identity, got "{point.identity}", also that of "{other}"',
            )
