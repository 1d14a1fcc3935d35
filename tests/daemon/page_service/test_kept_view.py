"""The last view that a paired device keeps over TLS, in a real Chromium."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import pytest

from adapters.clocks.clock import SystemClock
from tests.daemon.worlds import KOWHAI
from tests.support.brokers import free_port
from tests.support.browsers import ServedPage, chromium
from tests.support.certificates import Authority
from tests.support.waiting import patience

if TYPE_CHECKING:
    from pathlib import Path

    from playwright.sync_api import Page

IS_KEPT = "() => caches.match('/kept').then(found => !!found)"
IS_ACTIVE = "() => navigator.serviceWorker.controller?.state === 'activated'"
IS_FORGOTTEN = "() => caches.match('/kept').then(found => !found)"


@pytest.fixture
def house(tmp_path: Path) -> Path:
    """Write a household whose broker is not there."""
    path = tmp_path / "house.yaml"
    text = KOWHAI.read_text("utf-8").replace("127.0.0.1:1883", f"127.0.0.1:{free_port()}")
    path.write_text(text, "utf-8")
    return path


def pair(tab: Page, served: ServedPage) -> None:
    tab.goto(f"{served.page.url}/pair?code={served.code(SystemClock().now())}")
    tab.get_by_role("button", name="Pair").click()
    tab.get_by_text("no connection to the broker").wait_for()


def test_the_last_view_is_kept_with_its_age_and_forgotten(house: Path, tmp_path: Path) -> None:
    """It is shown while the page is away; signing out deletes it, and so does a revocation."""
    served = ServedPage(house, Authority(tmp_path / "keys", "home").sign("page"))
    with chromium("--ignore-certificate-errors") as browser:
        phone = browser.new_context(locale="en-NZ", ignore_https_errors=True)
        phone.set_default_timeout(patience(20) * 1000)
        tab = phone.new_page()
        pair(tab, served)
        tab.wait_for_function(IS_ACTIVE)
        tab.wait_for_function(IS_KEPT)
        served.stop()
        tab.goto(served.page.url)
        shown = tab.get_by_text("The page can't be reached. This is what it showed")
        assert re.search(r"\b[0-5] minutes? ago", shown.inner_text())
        tab.get_by_text("no connection to the broker").wait_for()
        assert tab.locator("form, button").count() == 0
        assert tab.evaluate("getComputedStyle(document.body).maxWidth") == "704px", "styled"
        served.start()
        tab.get_by_role("link", name="Try again").click()
        tab.get_by_role("link", name="Paired devices").click()
        tab.get_by_text("A paired device keeps what the page showed last").wait_for()
        tab.get_by_role("button", name="Sign out").click()
        tab.locator("#yes").click()
        tab.get_by_text("Pair this device").first.wait_for()
        tab.wait_for_function(IS_FORGOTTEN)

        pair(tab, served)
        tab.wait_for_function(IS_KEPT)
        tab.goto(f"{served.page.url}/devices")  # it never reloads itself
        [device] = served.devices.read().paired
        served.devices.change(lambda devices: devices.without(device.id))
        tab.goto(served.page.url)
        tab.get_by_text("Pair this device").first.wait_for()
        tab.wait_for_function(IS_FORGOTTEN)
    served.stop()


def test_nothing_is_kept_in_the_clear(house: Path) -> None:
    """There is no worker, and the page says so."""
    served = ServedPage(house)
    with chromium() as browser:
        tab = browser.new_page()
        pair(tab, served)
        answer = tab.request.get(f"{served.page.url}/worker.js")
        assert answer.status == 404
        assert tab.evaluate("navigator.serviceWorker.getRegistrations()") == []
        tab.goto(f"{served.page.url}/devices")
        tab.get_by_text("no device keeps a copy of it").wait_for()
    served.stop()
