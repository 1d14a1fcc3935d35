"""Make the request for a day: address, headers, key, and the certificates that are trusted."""

from __future__ import annotations

import re
from functools import partial
from importlib.metadata import version
from typing import TYPE_CHECKING
from urllib.parse import quote

from adapters.feeds.client import Request
from adapters.host.trust import trusting_context
from config.files.secret_files import read_secret
from config.files.texts import whole_file_fault
from config.tariffs.price_fetch import (
    DAY_PLACEHOLDERS,
    KEY_PLACEHOLDER,
    address_problem,
    placeholders_of,
)
from daemon.fetch_prices.days import values_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    from config.tariffs.price_fetch import PriceFetch
    from daemon.fetch_prices.days import FeedDay

_ACCEPTED = {"json": "application/json", "csv": "text/csv", "xml": "application/xml"}


def address_of(fetch: PriceFetch) -> str:
    """Return the address with its placeholders.

    Parameters
    ----------
    fetch : PriceFetch
        Holds it, or names the file that does.

    Returns
    -------
    str
        Without problems.

    Raises
    ------
    FileError
        If its file can't be read, others may read it, or it holds no such address.
    """  # noqa: DOC501, DOC502 - whole_file_fault makes it
    if fetch.url is not None or fetch.url_file is None:
        return fetch.url or ""
    address = read_secret(fetch.url_file, "a file with an address")
    if problem := address_problem(address, in_the_clear=fetch.in_the_clear):
        raise whole_file_fault(fetch.url_file, problem)
    return address


def is_same_every_day(address: str) -> bool:
    """Tell whether an address asks for no day in particular."""
    return not placeholders_of(address) & set(DAY_PLACEHOLDERS)


def request_for(fetch: PriceFetch, address: str, day: FeedDay, tags: Mapping[str, str]) -> Request:
    """Make a request.

    Parameters
    ----------
    fetch : PriceFetch
        Headers, key and certificates.
    address : str
        With its placeholders.
    day : FeedDay
        The day that is asked for.
    tags : mapping of str to str
        Headers of an earlier reply.

    Returns
    -------
    Request
        Ready to be sent.

    Raises
    ------
    FileError
        If a file that it needs can't be used.
    """  # noqa: DOC502 - raised by the parts
    key = _key_of(fetch)
    values = {name: quote(value, safe=":") for name, value in values_of(day).items()}
    headers = {
        "User-Agent": f"lullwatt/{version('lullwatt')}",
        "Accept": f"{_ACCEPTED[fetch.format]}, */*;q=0.1",
        "Accept-Encoding": "gzip",
    }
    own = {name: _filled(text, {KEY_PLACEHOLDER: key}) for name, text in fetch.headers.items()}
    known = {name.lower() for name in own}
    headers = {name: text for name, text in headers.items() if name.lower() not in known}
    return Request(
        _filled(address, values | {KEY_PLACEHOLDER: quote(key, safe="")}),
        headers | own | dict(tags),
        partial(trusting_context, fetch.ca_file),
    )


def _filled(text: str, values: Mapping[str, str]) -> str:
    return re.sub(r"\{([^{}]*)\}", lambda found: values[found[1]], text)


def _key_of(fetch: PriceFetch) -> str:
    if fetch.key_file is None:
        return ""
    key = read_secret(fetch.key_file, "a file with a key")
    if not (key.isascii() and key.isprintable()):
        raise whole_file_fault(fetch.key_file, "expected a key of printable ASCII characters")
    return key
