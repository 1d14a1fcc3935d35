"""A rehearsal with the household's page: time passes slowly, and a person may press."""

from __future__ import annotations

import http.client
import re
import signal
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import urlencode, urlsplit
from zoneinfo import ZoneInfo

import pytest

from adapters.ledger.ledger import open_ledger
from adapters.web.server import FORM
from daemon.control.events import Note
from daemon.rehearsal.pace import Pace
from daemon.rehearsal.rehearsal import Evening, Rehearsal
from daemon.service.household_watch import HouseholdWatch
from tests.daemon.worlds import KOWHAI
from tests.support.waiting import patience, wait_until

if TYPE_CHECKING:
    from collections.abc import Iterator
    from email.message import Message

    from daemon.messaging.incoming import HandledEvent
    from tests.support.brokers import Mosquitto

AUCKLAND = ZoneInfo("Pacific/Auckland")
LULLWATT = Path(sys.executable).with_name("lullwatt")
MOVES = 3
START = datetime(2026, 6, 3, 6, 30, tzinfo=UTC)


def test_a_pace_passes_on_real_time_and_never_hurries() -> None:
    """Ten minutes a second: what is due in 5 minutes is waited for half a second, if not late."""
    seconds = [100.0]
    pace = Pace(10, START, seconds=lambda: seconds[0])
    waited: list[float] = []
    pace._stopping.wait = waited.append  # type: ignore[method-assign,assignment]
    assert pace.next_step() == START + timedelta(minutes=2)
    pace.wait_for(START + timedelta(minutes=5))
    seconds[0] = 103.0
    pace.wait_for(START + timedelta(minutes=10))
    pace.wait_for(START + timedelta(minutes=20))
    assert waited == pytest.approx([0.5, 0, 1.0])
    pace.stop()
    assert pace.is_stopped


def test_the_vehicle_comes_again_on_the_next_evening(
    quick_mosquitto: Mosquitto, tmp_path: Path
) -> None:
    """It leaves for its departure, comes back at the same time of day, and is planned for again."""
    pace = Pace(1e9, START)
    seen: list[tuple[str, str]] = []

    def observe(handled: HandledEvent) -> None:
        for _point, action in handled.actions:
            if isinstance(action, Note) and action.event in {"plugged-in", "unplugged"}:
                local = played.clock.now().astimezone(AUCKLAND)
                seen.append((action.event, local.strftime("%a %H:%M:%S")))
        if len(seen) == MOVES and handled.states["driveway"].plan is not None:
            pace.stop()

    with open_ledger(tmp_path / "ledger.sqlite3") as ledger:
        evening = Evening("hatchback", START, 75.0)
        played = Rehearsal(
            HouseholdWatch(KOWHAI), ledger, quick_mosquitto.bus, evening, observe, pace=pace
        )
        played.run()
    assert seen == [
        ("plugged-in", "Wed 18:30:00"), ("unplugged", "Thu 07:19:59"),
        ("plugged-in", "Thu 18:30:00"),
    ]  # fmt: skip


class Browser:
    """Opens the address that a rehearsal printed, and keeps its cookie."""

    def __init__(self, address: str) -> None:
        parts = urlsplit(address)
        self._host = parts.netloc
        self.cookie = ""
        status, headers, _text = self._ask("GET", parts.path)
        assert (status, headers["Location"]) == (303, "/")
        self.cookie = headers["Set-Cookie"].partition(";")[0]

    def text(self, path: str) -> str:
        return self._ask("GET", path)[2]

    def post(self, path: str, form: dict[str, str]) -> str:
        return self._ask("POST", path, urlencode(form))[2]

    def _ask(self, method: str, path: str, body: str = "") -> tuple[int, Message, str]:
        calling = http.client.HTTPConnection(self._host, timeout=patience(20))
        headers = {"Cookie": self.cookie, "Origin": f"http://{self._host}"}
        if body:
            headers["Content-Type"] = FORM
        calling.request(method, path, body or None, headers)
        answer = calling.getresponse()
        text = answer.read().decode()
        calling.close()
        return answer.status, answer.headers, text


@pytest.fixture
def rehearsal() -> Iterator[subprocess.Popen[str]]:
    process = subprocess.Popen(
        [LULLWATT, "rehearse", "--page", "--pace", "120"],
        stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    yield process
    process.kill()
    process.wait()
    assert process.stdout
    process.stdout.close()


def hidden(page: str, name: str) -> str:
    found = re.search(rf'name="{name}" value="([^"]*)"', page)
    assert found, page
    return found[1].replace("&#34;", '"')


def test_the_page_moves_and_a_wish_counts(rehearsal: subprocess.Popen[str]) -> None:
    """One address opens it without pairing; a wish is obeyed; Ctrl-C ends it all."""
    assert rehearsal.stdout
    lines = iter(rehearsal.stdout.readline, "")
    address = next(found[0] for line in lines if (found := re.search(r"http://[\w.:/-]+\w", line)))
    browser = Browser(address)
    wait_until(lambda: "The hatchback will be at 80% by" in browser.text("/"), what="the plan")
    asked = browser.text("/")
    key = hidden(asked, "key")
    wanted = {"key": key, "point": "driveway", "kind": "now"}
    asking = (browser.post("/wish", wanted) for _ in range(10))  # the daemon may be slow to answer
    confirm = next(page for page in asking if 'name="once"' in page)
    wish = {name: hidden(confirm, name) for name in ("key", "point", "wish", "once")}
    browser.post("/ask", wish)
    assert any("a person asked to charge now" in line for line in lines)
    rehearsal.send_signal(signal.SIGINT)
    assert rehearsal.wait(patience(20)) == 0
