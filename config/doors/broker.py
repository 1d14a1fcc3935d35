"""What a household declares about the broker: its address, and signing in."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated, Self

from pydantic import Field, model_validator

from config.fields.addresses import HOST, is_this_machine
from config.fields.key_problems import KeyProblem, refuse
from config.fields.value_types import Expected, FilePath, Flag, Model, checked

_PORTS = {"mqtt": 1883, "mqtts": 8883}
_BROKER = re.compile(
    rf"(?P<scheme>mqtts?)://(?P<host>{HOST})(:(?P<port>[0-9]{{1,5}}))?/?", re.ASCII
)
_EMBEDDED = "embedded"
_UNENCRYPTED = ", which others on the way can read and change"


@dataclass(frozen=True)
class _BrokerAddress:
    host: str
    port: int
    tls: bool


def _address_of(broker: str) -> _BrokerAddress | None:
    if broker == _EMBEDDED:
        return _BrokerAddress("127.0.0.1", _PORTS["mqtt"], tls=False)
    parts = _BROKER.fullmatch(broker)
    if parts is None:
        return None
    port = int(parts["port"] or _PORTS[parts["scheme"]])
    if not 1 <= port <= 65535:  # noqa: PLR2004 - the range of TCP ports
        return None
    return _BrokerAddress(parts["host"].strip("[]"), port, tls=parts["scheme"] == "mqtts")


def _is_topic_prefix(text: str) -> bool:
    levels_are_full = all(text.split("/")) and not text.startswith("$")
    return levels_are_full and not set(text) & set("+#") and _fits_a_line(text)


def _is_user_name(text: str) -> bool:
    return _fits_a_line(text) and ":" not in text


def _fits_a_line(text: str) -> bool:
    """Tell whether a text is safe in a broker's files, which have one entry a line."""
    return text.isprintable() and text == text.strip()


UserName = Annotated[
    str,
    Field(min_length=1, max_length=200),
    checked(_is_user_name),
    Expected("a name of 1 to 200 characters, without colons or control characters"),
]
"""The name of an account at the broker."""


class Bus(Model):
    """The MQTT broker, and the topics' prefix."""

    broker: Annotated[
        str,
        checked(lambda text: _address_of(text) is not None),
        Expected(
            "mqtt://HOST:PORT, mqtts://HOST:PORT or embedded (a broker inside the daemon), without "
            "a user or password"
        ),
    ] = Field(description="mqtt://HOST[:PORT], mqtts://HOST[:PORT] or embedded.")
    username: UserName | None = Field(None, description="Name to sign in with.")
    password_file: FilePath | None = Field(
        None, description="File with the password in one line; only its owner may read it."
    )
    ca_file: FilePath | None = Field(
        None, description="Certificates (PEM) that a mqtts broker is checked against."
    )
    client_certificate_file: FilePath | None = Field(
        None, description="Certificate (PEM) to sign in to a mqtts broker with."
    )
    client_key_file: FilePath | None = Field(
        None,
        description="Key (PEM, no passphrase) of the certificate; only its owner may read it.",
    )
    in_the_clear: Flag = Field(
        default=False,
        description="Needed for mqtt:// beyond this machine: others on the way can read and change "
        "everything, passwords too.",
    )
    anonymous: Flag = Field(
        default=False,
        description="Needed for a broker beyond this machine that lets in everybody.",
    )
    root: Annotated[
        str,
        Field(min_length=1, max_length=100),
        checked(_is_topic_prefix),
        Expected("a topic prefix without +, # or empty levels"),
    ] = Field("lullwatt", description="First level or levels of every topic.")

    @model_validator(mode="after")
    def _check(self) -> Self:
        refuse([*self._pair_problems(), *self._access_problems()])
        return self

    def _pair_problems(self) -> Iterator[KeyProblem]:
        """Find keys that lack the key they need, or that exclude each other."""
        if self.password_file is not None and self.username is None:
            yield KeyProblem(("password_file",), "expected a username beside it")
        certificate, key = "client_certificate_file", "client_key_file"
        for given, other in ((certificate, key), (key, certificate)):
            if getattr(self, given) is not None and getattr(self, other) is None:
                yield KeyProblem((given,), f"expected a {other} beside it")
        if self.client_certificate_file is not None and not self.tls:
            yield KeyProblem((certificate,), f"expected a mqtts:// broker beside it{_UNENCRYPTED}")
        if self.in_the_clear and self.tls:
            yield KeyProblem(("in_the_clear",), "expected a mqtt:// broker beside it")
        if self.anonymous and self.signs_in:
            yield KeyProblem(
                ("anonymous",),
                "expected neither password_file nor client_certificate_file beside it",
            )

    def _access_problems(self) -> Iterator[KeyProblem]:
        """Find what lets strangers in, unless the file says that this is meant."""
        if is_this_machine(self.host):
            return
        if not self.tls and not self.in_the_clear:
            yield KeyProblem(
                ("broker",),
                "expected mqtts:// for a broker beyond this machine, got mqtt://"
                f"{_UNENCRYPTED}; if that is meant, say in_the_clear: true",
            )
        if not self.signs_in and not self.anonymous:
            yield KeyProblem(
                ("broker",),
                "expected username and password_file, or client_certificate_file, for a broker "
                "beyond this machine: whoever reaches one that asks for neither can switch the "
                "charging; if that is meant, say anonymous: true",
            )

    @property
    def signs_in(self) -> bool:
        """Whether the daemon signs in, by a password or a certificate."""
        return self.password_file is not None or self.client_certificate_file is not None

    @property
    def _address(self) -> _BrokerAddress:
        address = _address_of(self.broker)
        if address is None:
            raise ValueError(self.broker)
        return address

    @property
    def embedded(self) -> bool:
        """Whether the broker runs inside the daemon."""
        return self.broker == _EMBEDDED

    @property
    def host(self) -> str:
        """Name or address of the broker; the loopback address if it is embedded."""
        return self._address.host

    @property
    def port(self) -> int:
        """TCP port of the broker: as given, else 1883, or 8883 with TLS."""
        return self._address.port

    @property
    def tls(self) -> bool:
        """Whether the connection is encrypted."""
        return self._address.tls
