"""What a household declares about a place where Lullwatt listens, with TLS or in the clear."""

from __future__ import annotations

from typing import TYPE_CHECKING, Self

from pydantic import Field, model_validator

from config.fields.addresses import Address, ListenAddress, address_of
from config.fields.key_problems import KeyProblem, refuse
from config.fields.value_types import FilePath, Flag, Model

if TYPE_CHECKING:
    from collections.abc import Iterator


class Listener(Model):
    """An address to listen on, and its TLS keys unless only this machine can reach it."""

    listen: ListenAddress
    certificate_file: FilePath | None = Field(
        None, description="Certificate chain (PEM) of this machine, for connections with TLS."
    )
    key_file: FilePath | None = Field(None, description="Private key (PEM) of the certificate.")
    in_the_clear: Flag = False

    @model_validator(mode="after")
    def _check(self) -> Self:
        refuse([*self._tls_problems(), *self._clear_problems(), *self._more_problems()])
        return self

    def _more_problems(self) -> Iterator[KeyProblem]:
        """Find what else is wrong; for classes made from this one."""
        yield from ()

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

    @property
    def has_tls(self) -> bool:
        """Whether connections are encrypted."""
        return self.certificate_file is not None
