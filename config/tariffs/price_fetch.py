"""What a household declares about getting its prices from a server: `lullwatt fetch-prices`.

Nothing here asks a server, and no key or private address stands in this file: both have files of
their own.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Annotated, Literal, Self
from urllib.parse import SplitResult, urlsplit

from pydantic import Field, model_validator
from typing_extensions import override

from config.fields.addresses import HOST, is_this_machine
from config.fields.home_fields import Zone
from config.fields.key_problems import KeyProblem, refuse
from config.fields.value_types import Expected, FilePath, Flag, Model, Text, checked, is_pointer

DAY_PLACEHOLDERS = (
    "date", "next_date", "year", "month", "day", "start", "end", "start_utc", "end_utc",
    "start_digits", "end_digits", "start_epoch", "end_epoch", "start_epoch_ms", "end_epoch_ms",
)  # fmt: skip
"""Names between braces in an address that stand for the day whose prices are asked for. A request
without any of them is the same every day."""
KEY_PLACEHOLDER = "key"
"""The name between braces that stands for the content of `key_file`."""

_BRACED = re.compile(r"\{([^{}]*)\}")
_HOST = re.compile(HOST, re.ASCII)
_HEADER_NAME = re.compile(r"[A-Za-z0-9-]{1,100}", re.ASCII)
_OWN_HEADERS = frozenset(
    [
        "accept-encoding",
        "connection",
        "content-length",
        "expect",
        "host",
        "if-modified-since",
        "if-none-match",
        "keep-alive",
        "proxy-connection",
        "te",
        "trailer",
        "transfer-encoding",
        "upgrade",
    ]
)
"""Headers that the client sets itself, or that would change what it must read."""
_SECRET_HEADER = re.compile(r"authorization|cookie|key|token|secret|password", re.IGNORECASE)
_ADDRESS = "expected an address such as https://prices.example.org/day-ahead?date={date}"
_MOST_ADDRESS = 2000

Format = Literal["json", "csv", "xml"]
Times = Literal["rfc3339", "epoch_seconds", "epoch_milliseconds", "local"]
_FORMATS: tuple[Format, ...] = ("json", "csv", "xml")
_TIMES: tuple[Times, ...] = ("rfc3339", "epoch_seconds", "epoch_milliseconds", "local")


def _is_header_value(text: str) -> bool:
    return text.isascii() and text.isprintable() and text == text.strip()


Resolution = Annotated[Literal[15, 30, 60], Expected("15, 30 or 60 minutes")]
Headers = Annotated[
    dict[
        Annotated[
            str,
            checked(lambda name: _HEADER_NAME.fullmatch(name) is not None),
            Expected("the name of a header: letters, digits and hyphens"),
        ],
        Annotated[
            str,
            Field(min_length=1, max_length=1000),
            checked(_is_header_value),
            Expected("a text of 1 to 1000 ASCII characters on one line"),
        ],
    ],
    Field(max_length=20),
]


def placeholders_of(text: str) -> frozenset[str]:
    """Return the names that stand between braces."""
    return frozenset(_BRACED.findall(text))


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
    parts = _split(address)
    if parts is None:
        return _ADDRESS
    if "@" in parts.netloc:
        return f"{_ADDRESS}, without a user or password: put them into a header with {{key}}"
    if problem := _placeholder_problem(address):
        return problem
    if parts.scheme == "http" and not (in_the_clear or is_this_machine(parts.hostname or "")):
        return (
            "expected https:// for a server beyond this machine, got http://, which others on the"
            " way can read and change; if that is meant, say in_the_clear: true"
        )
    return None


def host_of(address: str) -> str:
    """Return the host name of an address without problems."""
    return urlsplit(address).hostname or ""


def _split(address: str) -> SplitResult | None:
    """Split an address into its parts; None if it is none of a web server."""
    if not address.isascii() or not address.isprintable() or set(address) & set(' "<>\\^`|#'):
        return None
    try:
        parts = urlsplit(address)
        port = parts.port
    except ValueError:
        return None
    host = parts.hostname or ""
    is_host = _HOST.fullmatch(f"[{host}]" if ":" in host else host)
    return parts if is_host and port != 0 and parts.scheme in {"http", "https"} else None


def _placeholder_problem(address: str) -> str | None:
    known = (*DAY_PLACEHOLDERS, KEY_PLACEHOLDER)
    unknown = sorted(placeholders_of(address) - set(known))
    if unknown:
        listed = ", ".join(f"{{{each}}}" for each in known)
        return f"expected one of {listed} between braces, got {{{unknown[0][:40]}}}"
    if set(_BRACED.sub("", address)) & set("{}"):
        return "expected each { with its }"
    return None


class PriceFetch(Model):
    """Where tomorrow's prices are fetched from, and how to read the answer."""

    url: Annotated[str, Field(max_length=_MOST_ADDRESS), Expected("an address")] | None = Field(
        None,
        description="Address with placeholders for the day, such as {date}; either this or "
        "url_file.",
    )
    url_file: FilePath | None = Field(
        None,
        description="File with an address that is nobody else's business, in one line; only its "
        "owner may read it.",
    )
    key_file: FilePath | None = Field(
        None,
        description="File with the key that {key} stands for, in the address or in a header; only "
        "its owner may read it.",
    )
    headers: Headers = Field(
        default_factory=dict, description="Headers to send, such as {Authorization: Bearer {key}}."
    )
    ca_file: FilePath | None = Field(
        None,
        description="Certificates (PEM) that the server is checked against; without: the "
        "authorities that this machine trusts.",
    )
    in_the_clear: Flag = Field(
        default=False,
        description="Needed for http:// beyond this machine: others on the way can read and change "
        "everything.",
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
                *self._address_problems(),
                *self._header_problems(),
                *self._format_problems(),
                *self._pointer_problems(),
            ]
        )
        return self

    @override
    def __hash__(self) -> int:
        return hash((self.url, self.url_file, self.format))  # headers are a dict, which has none

    @property
    def _header_placeholders(self) -> frozenset[str]:
        return frozenset().union(*map(placeholders_of, self.headers.values()))

    def _address_problems(self) -> Iterator[KeyProblem]:
        if (self.url is None) == (self.url_file is None):
            got = "neither" if self.url is None else "both"
            yield KeyProblem((), f"expected either url or url_file, got {got}")
        if self.url is None:
            return
        if problem := address_problem(self.url, in_the_clear=self.in_the_clear):
            yield KeyProblem(("url",), problem)
            return
        if self.in_the_clear and self.url.startswith("https:"):
            yield KeyProblem(("in_the_clear",), "expected a http:// address beside it")
        uses_key = KEY_PLACEHOLDER in placeholders_of(self.url) | self._header_placeholders
        if uses_key and self.key_file is None:
            yield KeyProblem((), "expected key_file, since {key} stands for its content")
        if self.key_file is not None and not uses_key:
            yield KeyProblem(("key_file",), "expected {key} in url or headers, which it stands for")

    def _header_problems(self) -> Iterator[KeyProblem]:
        for name, value in self.headers.items():
            path = ("headers", name)
            if name.lower() in _OWN_HEADERS:
                yield KeyProblem(path, f"expected another header: {name} is not for you to set")
            for unknown in sorted(placeholders_of(value) - {KEY_PLACEHOLDER}):
                yield KeyProblem(path, f"expected {{key}} between braces, got {{{unknown[:40]}}}")
            if _SECRET_HEADER.search(name) and KEY_PLACEHOLDER not in placeholders_of(value):
                yield KeyProblem(
                    path,
                    "expected {key} in its value, and the secret itself in key_file: this file is"
                    " not kept secret",
                )

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
