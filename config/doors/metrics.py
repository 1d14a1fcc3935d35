"""What a household declares about figures for graphs; off by default."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Self

from pydantic import Field, model_validator

from config.fields.addresses import Address, ListenAddress, address_of
from config.fields.key_problems import KeyProblem, refuse
from config.fields.value_types import Expected, FilePath, Flag, Model


class Metrics(Model):
    """Figures in the text format of OpenMetrics: in a file, or by HTTP."""

    file: FilePath | None = Field(
        None, description="Text file for a collector; replaced as a whole each time."
    )
    listen: (
        Annotated[ListenAddress, Expected('an address and a port such as "127.0.0.1:9464"')] | None
    ) = Field(None, description="HOST:PORT where /metrics is answered by HTTP.")
    in_the_clear: Flag = Field(
        default=False,
        description="Needed to listen beyond this machine: whoever reaches it can read when the "
        "home charges, and so when the car is away.",
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        refuse(tuple(self._problems()))
        return self

    def _problems(self) -> Iterator[KeyProblem]:
        address = self.address
        if self.file is not None and address is not None:
            yield KeyProblem(("listen",), "expected either file or listen, got both")
        elif self.file is None and address is None:
            yield KeyProblem((), "expected file or listen, which says where the figures go")
        elif address is None and self.in_the_clear:
            yield KeyProblem(("in_the_clear",), "expected listen beside it")
        elif address is not None and not (address.is_loopback or self.in_the_clear):
            yield KeyProblem(
                ("listen",),
                "expected an address that only this machine reaches, such as 127.0.0.1: from "
                "others anybody can read when this home charges; in_the_clear: true if that is "
                "meant, on a network of your own",
            )

    @property
    def address(self) -> Address | None:
        """Where to listen; None if it does not."""
        return None if self.listen is None else address_of(self.listen)
