"""Make a request to a declared server: address, headers, key, and trusted certificates."""

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
from config.servers.source import KEY_PLACEHOLDER

if TYPE_CHECKING:
    from collections.abc import Mapping

    from config.servers.source import Source


def address_of(source: Source) -> str:
    """Return the address with its placeholders.

    Parameters
    ----------
    source : Source
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
    if source.url is not None or source.url_file is None:
        return source.url or ""
    address = read_secret(source.url_file, "a file with an address")
    if problem := source.problem_of(address):
        raise whole_file_fault(source.url_file, problem)
    return address


def request_for(
    source: Source,
    address: str,
    tags: Mapping[str, str],
    accepts: str,
    values: Mapping[str, str] | None = None,
) -> Request:
    """Make a request.

    Parameters
    ----------
    source : Source
        Headers, key and certificates.
    address : str
        With its placeholders.
    tags : mapping of str to str
        Headers of an earlier reply.
    accepts : str
        The media type that is wanted.
    values : mapping of str to str, optional
        What stands for placeholders in the address, besides the key.

    Returns
    -------
    Request
        Ready to be sent.

    Raises
    ------
    FileError
        If a file that it needs can't be used.
    """  # noqa: DOC502 - raised by the parts
    key = _key_of(source)
    quoted = {name: quote(value, safe=":") for name, value in (values or {}).items()}
    headers = {
        "User-Agent": f"lullwatt/{version('lullwatt')}",
        "Accept": f"{accepts}, */*;q=0.1",
        "Accept-Encoding": "gzip",
    }
    own = {name: _filled(text, {KEY_PLACEHOLDER: key}) for name, text in source.headers.items()}
    known = {name.lower() for name in own}
    headers = {name: text for name, text in headers.items() if name.lower() not in known}
    return Request(
        _filled(address, quoted | {KEY_PLACEHOLDER: quote(key, safe="")}),
        headers | own | dict(tags),
        partial(trusting_context, source.ca_file),
    )


def _filled(text: str, values: Mapping[str, str]) -> str:
    return re.sub(r"\{([^{}]*)\}", lambda found: values[found[1]], text)


def _key_of(source: Source) -> str:
    if source.key_file is None:
        return ""
    key = read_secret(source.key_file, "a file with a key")
    if not (key.isascii() and key.isprintable()):
        raise whole_file_fault(source.key_file, "expected a key of printable ASCII characters")
    return key
