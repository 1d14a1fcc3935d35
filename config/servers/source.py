"""Where a document is fetched from, and what is sent along.

Nothing here asks a server, and no key or private address stands in the household file: both have
files of their own.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from typing import Annotated
from urllib.parse import SplitResult, urlsplit

from pydantic import Field

from config.fields.addresses import HOST, is_this_machine
from config.fields.key_problems import KeyProblem
from config.fields.value_types import Expected, FilePath, Flag, Model, checked

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
MOST_ADDRESS = 2000


def _is_header_value(text: str) -> bool:
    return text.isascii() and text.isprintable() and text == text.strip()


Address = Annotated[str, Field(max_length=MOST_ADDRESS), Expected("an address")]
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


def host_of(address: str) -> str:
    """Return the host name of an address without problems."""
    return urlsplit(address).hostname or ""


def address_problem(
    address: str, expected: str, known: Iterable[str], *, in_the_clear: bool
) -> str | None:
    """Find what is wrong with the address of a server, without repeating it.

    Parameters
    ----------
    address : str
        A URL with placeholders, from the household file or from a file of its own.
    expected : str
        What an address looks like, in words with an example.
    known : iterable of str
        The placeholders that it may have.
    in_the_clear : bool
        Whether http beyond this machine is meant.

    Returns
    -------
    str or None
        What is wrong, and what was expected.
    """
    parts = _split(address)
    if parts is None:
        return expected
    if "@" in parts.netloc:
        return f"{expected}, without a user or password: put them into a header with {{key}}"
    if problem := _placeholder_problem(address, tuple(known)):
        return problem
    if parts.scheme == "http" and not (in_the_clear or is_this_machine(parts.hostname or "")):
        return (
            "expected https:// for a server beyond this machine, got http://, which others on the"
            " way can read and change; if that is meant, say in_the_clear: true"
        )
    return None


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


def _placeholder_problem(address: str, known: tuple[str, ...]) -> str | None:
    unknown = sorted(placeholders_of(address) - set(known))
    if unknown:
        listed = ", ".join(f"{{{each}}}" for each in known)
        one_of = "one of " if len(known) > 1 else ""
        return f"expected {one_of}{listed} between braces, got {{{unknown[0][:40]}}}"
    if set(_BRACED.sub("", address)) & set("{}"):
        return "expected each { with its }"
    return None


class Source(Model):
    """A server, and what it is asked with."""

    url: Address | None = Field(None, description="Address; either this or url_file.")
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

    def problem_of(self, address: str) -> str | None:
        """Find what is wrong with an address for this source, without repeating it."""
        expected = "expected an address such as https://example.org/document"
        return address_problem(
            address, expected, (KEY_PLACEHOLDER,), in_the_clear=self.in_the_clear
        )

    @property
    def _header_placeholders(self) -> frozenset[str]:
        return frozenset().union(*map(placeholders_of, self.headers.values()))

    def address_problems(self) -> Iterator[KeyProblem]:
        """Find what is wrong with url, and with a key that it does not use or has not."""
        if self.url is None:
            return
        if problem := self.problem_of(self.url):
            yield KeyProblem(("url",), problem)
            return
        if self.in_the_clear and self.url.startswith("https:"):
            yield KeyProblem(("in_the_clear",), "expected a http:// address beside it")
        uses_key = KEY_PLACEHOLDER in placeholders_of(self.url) | self._header_placeholders
        if uses_key and self.key_file is None:
            yield KeyProblem((), "expected key_file, since {key} stands for its content")
        if self.key_file is not None and not uses_key:
            yield KeyProblem(("key_file",), "expected {key} in url or headers, which it stands for")

    def header_problems(self) -> Iterator[KeyProblem]:
        """Find headers that are not for the household to set, and secrets in the open."""
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
