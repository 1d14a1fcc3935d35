"""The page over TLS, and what keeps it from being served."""

from __future__ import annotations

import http.client
import re
import socket
import ssl
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import urlencode

import pytest
from structlog.testing import capture_logs

from adapters.clocks.clock import SystemClock
from adapters.web.certificate import CertificateError
from adapters.web.server import FORM
from config.doors.page import Page
from config.files.errors import FileError
from daemon.page_service.serving import PageError, serve_page, tls_of
from tests.daemon.worlds import KOWHAI
from tests.support.brokers import free_port
from tests.support.browsers import ServedPage
from tests.support.certificates import Authority
from tests.support.waiting import patience

if TYPE_CHECKING:
    from collections.abc import Iterator


@pytest.fixture
def house(tmp_path: Path) -> Path:
    """Write a household whose broker is not there."""
    path = tmp_path / "house.yaml"
    text = KOWHAI.read_text("utf-8").replace("127.0.0.1:1883", f"127.0.0.1:{free_port()}")
    path.write_text(text, "utf-8")
    return path


@pytest.fixture
def authority(tmp_path: Path) -> Authority:
    return Authority(tmp_path / "keys", "home")


@pytest.fixture
def served(house: Path, authority: Authority) -> Iterator[ServedPage]:
    page = ServedPage(house, authority.sign("page"))
    yield page
    page.stop()


def test_pairing_over_tls(served: ServedPage, authority: Authority) -> None:
    """The cookie never leaves TLS; without a broker the page says that it has none."""
    trust = ssl.create_default_context(cafile=authority.certificate)
    calling = http.client.HTTPSConnection(
        "127.0.0.1", served.page.port, timeout=patience(10), context=trust
    )
    form = urlencode({"code": served.code(SystemClock().now()), "name": "phone"})
    headers = {"Content-Type": FORM, "Origin": served.page.url}
    calling.request("POST", "/pair", form, headers)
    paired = calling.getresponse()
    paired.read()
    found = re.match(r"(__Host-device=[^;]+); .*; Secure$", paired.headers["Set-Cookie"])
    assert (paired.status, served.page.url[:5]) == (303, "https")
    assert found
    calling.request("GET", "/", headers={"Cookie": found[1]})
    text = calling.getresponse().read().decode()
    assert "The page has no connection to the broker" in text
    calling.close()


def page(port: int, **keys: object) -> Page:
    return Page.model_validate(
        {"listen": f"127.0.0.1:{port}", "devices_file": "devices.json", **keys}
    )


def test_a_port_that_is_taken(house: Path) -> None:
    """The error names the address."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(
            PageError, match=f"can't be served at 127.0.0.1:{port}: Address already"
        ):
            serve_page(house, page(port))


def test_keys_that_do_not_belong_together(authority: Authority) -> None:
    """It is said before anything is served, and so is a key that others may read."""
    one, other = authority.sign("one"), authority.sign("other")
    keys = {"certificate_file": one.certificate, "key_file": other.key}
    with pytest.raises(CertificateError, match="or do not belong together"):
        tls_of(page(8480, **keys))
    other.key.chmod(0o644)
    with pytest.raises(FileError):
        tls_of(page(8480, **keys))


def shown(port: int) -> str:
    """Return the certificate that a new connection gets; it sends no name, as for an address."""
    with socket.create_connection(("127.0.0.1", port), patience(10)) as connection:
        trusting = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        trusting.check_hostname = False
        trusting.verify_mode = ssl.CERT_NONE
        with trusting.wrap_socket(connection) as wrapped:
            return ssl.DER_cert_to_PEM_cert(wrapped.getpeercert(binary_form=True) or b"")


def test_a_renewed_certificate(served: ServedPage, authority: Authority) -> None:
    """The next connection gets it; one without its key is not used, and the former one stays."""
    port, files = served.page.port, authority.sign("page-2")
    keys = (served.page.certificate_file, served.page.key_file)
    assert keys[0] is not None
    assert keys[1] is not None
    former = keys[0].read_text("utf-8")
    assert shown(port) in former
    renewed = files.certificate.read_text("utf-8")
    with capture_logs() as logs:
        files.certificate.replace(keys[0])
        assert shown(port) in former
        assert [entry["event"] for entry in logs] == ["the renewed certificate is not used"]
        files.key.replace(keys[1])
        assert shown(port) in renewed
