"""What a browser asks for, and what it gets. Pure."""

from __future__ import annotations

from collections.abc import AsyncIterator, Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class WebRequest:
    """What a browser asks for.

    Attributes
    ----------
    method : str
        Such as ``"GET"``.
    path : str
        The decoded path.
    query, form, cookies : mapping of str to str
        If a name comes twice in a form, the last value counts.
    headers : mapping of str to str
        By lower-case names.
    address : str
        Where it comes from; of IPv6 its network.
    """

    method: str
    path: str
    query: Mapping[str, str] = field(default_factory=dict)
    form: Mapping[str, str] = field(default_factory=dict)
    cookies: Mapping[str, str] = field(default_factory=dict)
    headers: Mapping[str, str] = field(default_factory=dict)
    address: str = ""


@dataclass(frozen=True, slots=True)
class WebResponse:
    """What a browser gets.

    Attributes
    ----------
    body : str
        Text, sent as UTF-8.
    status : int
        Status code of HTTP.
    content_type : str
        Media type without a charset.
    headers : mapping of str to str
        Further headers.
    is_known : bool
        Whether the browser has shown that it may be here: its connection may then stay.
    """

    body: str = ""
    status: int = 200
    content_type: str = "text/html"
    headers: Mapping[str, str] = field(default_factory=dict)
    is_known: bool = False


@dataclass(frozen=True, slots=True)
class EventStream:
    """Events for a browser that may be here, until it leaves or they end."""

    events: AsyncIterator[str]
    """Each in the form of the WHATWG's HTML standard, section 9.2.5, with its empty line."""


def event_text(name: str, data: str) -> str:
    """Write an event for a stream; every line of its data has its own field."""
    lines = "".join(f"data: {line}\n" for line in data.splitlines() or [""])
    return f"event: {name}\n{lines}\n"


COMMENT = ":\n\n"
"""An event that means nothing; writing it shows whether the browser is still there."""
