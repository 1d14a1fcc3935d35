"""The page in a real browser, before a real broker and daemon: by touch, and without scripts."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import pytest

from adapters.clocks.clock import SystemClock
from daemon.page_service import wishes
from tests.support.brokers import Mosquitto
from tests.support.browsers import ServedPage, chromium
from tests.support.daemons import POINT, TOPICS, Person, RunningDaemon
from tests.support.waiting import patience, wait_until

RunDaemon = Callable[..., RunningDaemon]
Meet = Callable[[Any], Person]


@pytest.fixture
def person(mosquitto: Mosquitto, meet: Meet) -> Person:
    return meet(mosquitto.bus)


@pytest.fixture
def served(
    mosquitto: Mosquitto, run_daemon: RunDaemon, person: Person, monkeypatch: pytest.MonkeyPatch
) -> Iterator[ServedPage]:
    monkeypatch.setattr(wishes, "ANSWERS_SECONDS", patience(60))
    daemon = run_daemon("home", mosquitto.bus)
    person.wait_for(TOPICS.daemon, state="online")
    now = SystemClock().now().isoformat()
    person.say(TOPICS.reading(POINT), {"at": now, "register_kwh": 1000.0, "watts": 0})
    person.say(TOPICS.vehicle(POINT), {"at": now, "pilot": "B", "soc_percent": 35})
    person.wait_for(TOPICS.status(POINT), connected=True)
    page = ServedPage(daemon.house)
    yield page
    page.stop()


def test_a_wish_by_touch_and_back_without_scripts(served: ServedPage, person: Person) -> None:
    """Pair, charge now, see it at once on a page that is open; take it back without JavaScript.

    Once the page is cut off, it no longer claims that all is well; it does again when it is back.
    """
    complaints: list[str] = []
    limit = patience(20) * 1000
    with chromium() as browser:
        phone = browser.new_context(
            base_url=served.page.url, has_touch=True, viewport={"width": 390, "height": 844},
            locale="en-NZ",
        )  # fmt: skip
        phone.set_default_timeout(limit)
        tab = phone.new_page()
        tab.on("console", lambda message: complaints.append(message.text))
        tab.on("pageerror", lambda error: complaints.append(str(error)))
        tab.goto(f"/pair?code={served.code(SystemClock().now())}")
        tab.get_by_role("button", name="Pair").tap()
        tab.get_by_text("The hatchback will be at 80% by").wait_for()
        assert tab.evaluate("document.documentElement.scrollWidth") == 390
        tab.get_by_role("button", name="Charge now").tap()
        tab.get_by_role("button", name="Yes, do this").tap()
        tab.get_by_text("Done.").wait_for()
        tab.get_by_text("Charge now, at any price").wait_for()
        person.wait_for(TOPICS.command(POINT), do="start", why="a person asked to charge now")

        plain = browser.new_context(
            base_url=served.page.url, java_script_enabled=False, locale="en-NZ",
            storage_state=phone.storage_state(), viewport={"width": 320, "height": 640},
        )  # fmt: skip
        plain.set_default_timeout(limit)
        other = plain.new_page()
        other.goto("/")
        other.get_by_role("button", name="Take back").press("Enter")
        other.get_by_role("button", name="Yes, do this").press("Enter")
        other.get_by_text("Done.").wait_for()
        wait_until(lambda: "charge_now" not in person.last(TOPICS.status(POINT)), what="taken back")
        # The first page is still open, and follows by itself.
        tab.get_by_text("Charge now, at any price").wait_for(state="detached")
        assert complaints == []

        state = tab.locator(".state")
        known = state.inner_text()
        served.stop()
        tab.get_by_text("Not known: no connection since").wait_for()
        assert state.get_attribute("class") == "state unwell"
        assert "✓" not in state.inner_text()
        assert tab.get_by_text("As it was at").is_visible()
        served.start()
        tab.get_by_text(known.split(" · ")[0]).wait_for()
        assert not tab.get_by_text("As it was at").is_visible()
        assert not tab.get_by_text("The page has lost its connection").is_visible()
