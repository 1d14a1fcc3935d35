"""Decide who may do what: names of this machine, devices and forms. Reads no clock."""

from __future__ import annotations

from collections import OrderedDict
from hashlib import sha256
from hmac import compare_digest
from hmac import new as new_hmac
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Mapping

    from adapters.web.exchange import WebRequest
    from config.doors.page import Page

POLICY: Final = (
    "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; connect-src 'self';"
    " manifest-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS: Final[Mapping[str, str]] = {
    "Cache-Control": "no-store",
    "Content-Security-Policy": POLICY,
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
    # Not `no-referrer`: a form would then be sent with the origin "null".
    "Referrer-Policy": "same-origin",
    "X-Content-Type-Options": "nosniff",
}
FORGET: Final[Mapping[str, str]] = {"Clear-Site-Data": '"storage"'}
"""Sent to a device that is not, or no longer, paired: its browser deletes what it keeps."""

COOKIE_SECONDS: Final = 400 * 24 * 3600
_MOST_USED: Final = 1000
_MOST_TOKEN: Final = 100


class Access:
    """The rules for one page.

    Parameters
    ----------
    page
        Where it is served.
    port
        The port that it really has.
    """

    def __init__(self, page: Page, port: int) -> None:
        scheme, usual = ("https", 443) if page.has_tls else ("http", 80)
        self._hosts = {f"{name}:{port}" for name in page.hosts}
        if port == usual:
            self._hosts |= set(page.hosts)
        self._origins = {f"{scheme}://{host}" for host in self._hosts}
        self._has_tls = page.has_tls
        self._used: OrderedDict[str, None] = OrderedDict()

    @property
    def keeps_copy(self) -> bool:
        """Whether a paired device keeps its last view: over TLS alone."""
        return self._has_tls

    @property
    def cookie_name(self) -> str:
        """The name of the cookie with a device's token."""
        return "__Host-device" if self._has_tls else "device"

    def is_own_host(self, request: WebRequest) -> bool:
        """Whether a request is for this page's name: against DNS rebinding."""
        return request.headers.get("host", "").lower() in self._hosts

    def is_own_form(self, request: WebRequest) -> bool:
        """Whether a form was sent by this page."""
        return request.headers.get("origin", "").lower() in self._origins

    def address(self, request: WebRequest) -> str:
        """Return the page's address, by the name that a browser used for it."""
        scheme = "https" if self._has_tls else "http"
        return f"{scheme}://{request.headers['host'].lower()}"

    def token_of(self, request: WebRequest) -> str:
        """Return the token that a browser has; empty if it has none."""
        return request.cookies.get(self.cookie_name, "")[:_MOST_TOKEN]

    def cookie(self, token: str) -> str:
        """Return the header that stores a token; an empty token deletes it."""
        age = COOKIE_SECONDS if token else 0
        secure = "; Secure" if self._has_tls else ""
        return (
            f"{self.cookie_name}={token}; Path=/; Max-Age={age}; HttpOnly; SameSite=Strict{secure}"
        )

    def use_once(self, number: str) -> bool:
        """Note that a confirmation was sent; False if it was sent before."""
        if not number or number in self._used:
            return False
        self._used[number] = None
        while len(self._used) > _MOST_USED:
            self._used.popitem(last=False)
        return True


def form_key(token: str) -> str:
    """Return what the forms of a device must hold: only its own pages know it."""
    return new_hmac(token.encode(), b"form", sha256).hexdigest()


def has_form_key(request: WebRequest, token: str) -> bool:
    """Whether a form holds the key of the device that sends it."""
    return bool(token) and compare_digest(
        request.form.get("key", "").encode(), form_key(token).encode()
    )
