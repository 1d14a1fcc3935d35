"""What a household declares about the bus: where the broker is, and how to sign in to it."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Annotated, Self

from pydantic import Field, model_validator

from config.fields import Expected, FilePath, Model, Text, checked
from config.problems import Problem, refuse

_PORTS = {"mqtt": 1883, "mqtts": 8883}
_HOST = r"\[[0-9A-Fa-f:.]+\]|[A-Za-z0-9]([A-Za-z0-9._-]*[A-Za-z0-9])?"
_BROKER = re.compile(
    rf"(?P<scheme>mqtts?)://(?P<host>{_HOST})(:(?P<port>[0-9]{{1,5}}))?/?", re.ASCII
)
_EMBEDDED = "embedded"


@dataclass(frozen=True)
class _Address:
    host: str
    port: int
    tls: bool


def _address_of(broker: str) -> _Address | None:
    if broker == _EMBEDDED:
        return _Address("127.0.0.1", _PORTS["mqtt"], tls=False)
    parts = _BROKER.fullmatch(broker)
    if parts is None:
        return None
    port = int(parts["port"] or _PORTS[parts["scheme"]])
    if not 1 <= port <= 65535:  # noqa: PLR2004 - the range of TCP ports
        return None
    return _Address(parts["host"].strip("[]"), port, tls=parts["scheme"] == "mqtts")


def _is_topic_prefix(text: str) -> bool:
    return all(text.split("/")) and not text.startswith("$") and not set(text) & set("+#")


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
    username: Text | None = Field(None, description="Name to sign in with.")
    password_file: FilePath | None = Field(None, description="File that holds the password.")
    ca_file: FilePath | None = Field(
        None, description="Certificates (PEM) that a mqtts broker is checked against."
    )
    root: Annotated[
        str,
        Field(min_length=1, max_length=100),
        checked(_is_topic_prefix),
        Expected("a topic prefix without +, # or empty levels"),
    ] = Field("lullwatt", description="First level or levels of every topic.")

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.password_file is not None and self.username is None:
            refuse([Problem(("password_file",), "expected a username beside it")])
        return self

    @property
    def _address(self) -> _Address:
        address = _address_of(self.broker)
        if address is None:
            raise ValueError(self.broker)
        return address

    @property
    def embedded(self) -> bool:
        """Whether the daemon brings the broker itself."""
        return self.broker == _EMBEDDED

    @property
    def host(self) -> str:
        """Name or address of the broker; the loopback address when it is embedded."""
        return self._address.host

    @property
    def port(self) -> int:
        """TCP port of the broker: as given, else 1883, or 8883 with TLS."""
        return self._address.port

    @property
    def tls(self) -> bool:
        """Whether the connection is encrypted."""
        return self._address.tls
