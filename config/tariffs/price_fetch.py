"""What a household declares about getting its prices from a server: `lullwatt fetch-prices`.

Nothing here asks a server.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator
from typing_extensions import override

from config.fields.home_fields import Zone
from config.fields.key_problems import KeyProblem, refuse
from config.fields.value_types import Expected, Flag, Text, is_pointer
from config.servers import source
from config.servers.source import KEY_PLACEHOLDER, Address, Source

DAY_PLACEHOLDERS = (
    "date", "next_date", "year", "month", "day", "start", "end", "start_utc", "end_utc",
    "start_digits", "end_digits", "start_epoch", "end_epoch", "start_epoch_ms", "end_epoch_ms",
)  # fmt: skip
"""Names between braces in an address that stand for the day whose prices are asked for. A request
without any of them is the same every day."""

_ADDRESS = "expected an address such as https://prices.example.org/day-ahead?date={date}"

Format = Literal["json", "csv", "xml"]
Times = Literal["rfc3339", "epoch_seconds", "epoch_milliseconds", "local"]
_FORMATS: tuple[Format, ...] = ("json", "csv", "xml")
_TIMES: tuple[Times, ...] = ("rfc3339", "epoch_seconds", "epoch_milliseconds", "local")

Resolution = Annotated[Literal[15, 30, 60], Expected("15, 30 or 60 minutes")]


def address_problem(address: str, *, in_the_clear: bool) -> str | None:
    """Find what is wrong with the address of a price server, without repeating it.

    Parameters
    ----------
    address : str
        A URL with placeholders, from the household file or from a file of its own.
    in_the_clear : bool
        Whether http beyond this machine is meant.

    Returns
    -------
    str or None
        What is wrong, and what was expected.
    """
    known = (*DAY_PLACEHOLDERS, KEY_PLACEHOLDER)
    return source.address_problem(address, _ADDRESS, known, in_the_clear=in_the_clear)


class PriceFetch(Source):
    """Where tomorrow's prices are fetched from, and how to read the answer."""

    url: Address | None = Field(
        None,
        description="Address with placeholders for the day, such as {date}; either this or "
        "url_file.",
    )
    format: Annotated[Format, Expected("json, csv or xml", _FORMATS)] = Field(
        description="Format of the answer; xml: a Publication_MarketDocument of IEC 62325-451-3."
    )
    list: Text | None = Field(
        None,
        description="JSON: pointer (RFC 6901) to the list of entries; without: the whole answer "
        "is the list.",
    )
    start: Text | None = Field(
        None, description="JSON: pointer within an entry; CSV: name of the column."
    )
    price: Text | None = Field(None, description="The same for the price.")
    starts: Text | None = Field(
        None, description="JSON: pointer to a list of starts, beside a list of prices."
    )
    prices: Text | None = Field(None, description="JSON: pointer to that list of prices.")
    times: Annotated[Times, Expected(f"one of {', '.join(_TIMES)}", _TIMES)] = Field(
        "rfc3339",
        description="How starts are written; local: without an offset, by the clock of timezone.",
    )
    timezone: Zone | None = Field(
        None,
        description="Zone in which the days of the prices begin and end; without: the household's.",
    )
    resolution_minutes: Resolution | None = Field(
        None,
        description="XML: read only the series of this resolution, if there are several [minutes].",
    )
    days_may_repeat: Flag = Field(
        default=False,
        description="Whether a day may have exactly the prices of the day before; otherwise such "
        "an answer is refused as stale.",
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        refuse(
            [
                *self._one_address(),
                *self.address_problems(),
                *self.header_problems(),
                *self._format_problems(),
                *self._pointer_problems(),
            ]
        )
        return self

    @override
    def __hash__(self) -> int:
        return hash((self.url, self.url_file, self.format))  # headers are a dict, which has none

    @override
    def problem_of(self, address: str) -> str | None:
        return address_problem(address, in_the_clear=self.in_the_clear)

    def _one_address(self) -> Iterator[KeyProblem]:
        if (self.url is None) == (self.url_file is None):
            got = "neither" if self.url is None else "both"
            yield KeyProblem((), f"expected either url or url_file, got {got}")

    def _format_problems(self) -> Iterator[KeyProblem]:
        given = [
            key for key in ("list", "start", "price", "starts", "prices") if getattr(self, key)
        ]
        if self.format == "xml":
            wrong = [*given, *(["times"] if self.times != "rfc3339" else [])]
            for key in wrong:
                yield KeyProblem((key,), "expected no such key beside format: xml, which has it")
        elif self.resolution_minutes is not None:
            yield KeyProblem(("resolution_minutes",), "expected format: xml beside it")
        if self.format == "csv" and set(given) != {"start", "price"}:
            yield KeyProblem((), "expected start and price, the names of two columns")
        pairs = ({"start", "price"}, {"list", "start", "price"}, {"starts", "prices"})
        if self.format == "json" and set(given) not in pairs:
            yield KeyProblem(
                (),
                "expected start and price, which lead into each entry of list; or starts and"
                " prices, which lead to two lists",
            )
        if self.times == "local" and self.timezone is None:
            yield KeyProblem(("times",), "expected timezone beside it: whose clock is meant?")

    def _pointer_problems(self) -> Iterator[KeyProblem]:
        if self.format != "json":
            return
        for key in ("list", "start", "price", "starts", "prices"):
            if (pointer := getattr(self, key)) is not None and not is_pointer(pointer):
                yield KeyProblem((key,), 'expected a JSON Pointer (RFC 6901) such as "/data/price"')
