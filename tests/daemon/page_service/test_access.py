"""Names of this machine, own forms, cookies, and confirmations that count once."""

from __future__ import annotations

import pytest

from adapters.web.exchange import WebRequest
from config.doors.page import Page
from daemon.page_service.access import Access, form_key, has_form_key

CLEAR = Page.model_validate({"listen": "127.0.0.1:8480", "devices_file": "devices.json"})
TLS = Page.model_validate(
    {
        "listen": "192.168.1.10:443",
        "names": ["home.lan"],
        "certificate_file": "cert.pem",
        "key_file": "key.pem",
        "devices_file": "devices.json",
    }
)


def asked(**headers: str) -> WebRequest:
    return WebRequest("POST", "/", headers=headers)


@pytest.mark.parametrize(
    ("page", "host", "is_own"),
    [
        (CLEAR, "127.0.0.1:8480", True),
        (CLEAR, "localhost:8480", True),
        (CLEAR, "127.0.0.1", False),
        (CLEAR, "127.0.0.1:8481", False),
        (CLEAR, "evil.example:8480", False),
        (CLEAR, "", False),
        (TLS, "HOME.lan", True),
        (TLS, "home.lan:443", True),
        (TLS, "192.168.1.10", True),
        (TLS, "home.lan.evil.example", False),
    ],
)
def test_names(page: Page, host: str, is_own: bool) -> None:  # noqa: FBT001
    """Another name that leads here is refused: against DNS rebinding."""
    assert Access(page, page.port).is_own_host(asked(host=host)) is is_own


@pytest.mark.parametrize(
    ("page", "origin", "is_own"),
    [
        (CLEAR, "http://localhost:8480", True),
        (CLEAR, "https://localhost:8480", False),
        (CLEAR, "null", False),
        (CLEAR, "", False),
        (TLS, "https://home.lan", True),
        (TLS, "http://home.lan", False),
        (TLS, "https://evil.example", False),
    ],
)
def test_origins(page: Page, origin: str, is_own: bool) -> None:  # noqa: FBT001
    """A form of another site is refused."""
    assert Access(page, page.port).is_own_form(asked(origin=origin)) is is_own


def test_the_cookie() -> None:
    """Scripts and other sites can't have it; with TLS it never crosses the network in the clear."""
    assert Access(CLEAR, 8480).cookie("t") == (
        "device=t; Path=/; Max-Age=34560000; HttpOnly; SameSite=Strict"
    )
    assert Access(TLS, 443).cookie("") == (
        "__Host-device=; Path=/; Max-Age=0; HttpOnly; SameSite=Strict; Secure"
    )


def test_a_form_has_the_key_of_its_device() -> None:
    """That of another device, or none, is refused."""
    own = WebRequest("POST", "/", form={"key": form_key("token")})
    assert has_form_key(own, "token")
    assert not has_form_key(own, "other")
    assert not has_form_key(WebRequest("POST", "/"), "token")
    assert not has_form_key(WebRequest("POST", "/", form={"key": "ä"}), "token")
    assert not has_form_key(own, "")


def test_a_confirmation_counts_once() -> None:
    """However often it is sent."""
    access = Access(CLEAR, 8480)
    assert [access.use_once(number) for number in ("1", "1", "2", "")] == [True, False, True, False]
