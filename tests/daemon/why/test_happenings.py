"""The daemon records its starts and ends, changed files and new prices."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from typing import TYPE_CHECKING, Any

import pytest

from adapters.bus.events import MessageArrived
from adapters.contract.messages import PriceFeed, decode
from config.files.errors import LedgerError
from daemon.service.upgrade import KNOWN
from daemon.why.plans import runs_of
from tests.daemon.why.nights import Home
from tests.daemon.worlds import EVENING, HOUR, MINUTE, arrived

if TYPE_CHECKING:
    from pathlib import Path

    from adapters.ledger.ledger import Ledger

START = EVENING - HOUR
LONG = timedelta(days=30)


def recorded(ledger: Ledger) -> list[tuple[str, dict[str, Any]]]:
    return [
        (each.what, each.body) for each in ledger.happenings_between(START - LONG, START + LONG)
    ]


def hourly(directory: Path) -> Home:
    """Make Kowhai Cottage with prices by the hour, which come over the bus."""
    file = Home(directory).household.read_text("utf-8")
    start = file.index("    bands:")
    bands = file[start : file.index("charge_points:", start)]
    return Home(
        directory, (bands, "    prices: {step_minutes: 60}\n\n"), ("max_rate: 0.20", "max_rate: 2")
    )


def feed(hours: int, first: int = 0) -> PriceFeed:
    """Make prices from 17:00 on, dear before midnight and cheap after it."""
    begins = EVENING - 90 * MINUTE
    rates = [
        {
            "start": (begins + hour * HOUR).isoformat(),
            "rate": str(Decimal("0.30") if hour < 7 else Decimal("0.10")),
        }
        for hour in range(first, first + hours)
    ]
    text = ",".join(f'{{"start":"{it["start"]}","rate":{it["rate"]}}}' for it in rates)
    return decode(PriceFeed, f'{{"v":1,"rates":[{text}]}}'.encode())


def test_starts_and_ends_are_recorded(tmp_path: Path) -> None:
    """Each start, and each end unless the daemon is killed."""
    home = Home(tmp_path)
    with home.place() as place:
        assert recorded(place.ledger) == [("started", KNOWN)]
        place.end()
    with home.place(START + HOUR) as place:
        assert [what for what, _ in recorded(place.ledger)] == ["started", "ended", "started"]


def test_a_changed_file_is_recorded_and_shown(tmp_path: Path) -> None:
    """The new plan's line says so, and how the plan before differed."""
    home = Home(tmp_path)
    with home.place() as place:
        place.plug_in(35.0)
        place.until(EVENING)
        text = home.household.read_text("utf-8").replace("want_percent: 80", "want_percent: 70")
        home.household.write_text(text, "utf-8")
        place.wake_up()
        assert recorded(place.ledger)[1:] == [("file", {"known_until": None})]
    story = home.why(EVENING + HOUR).story
    assert "a changed household file is in force" in [entry.text for entry in story]
    last = [entry for entry in story if entry.kind == "plan"][-1]
    assert last.text.startswith("planned again because the household file was changed: 20.2 kWh")
    assert last.more[0] == "Before: 80 % wanted, 26.0 kWh to come from 21:00 to 00:32."


def test_new_prices_are_recorded_and_shown(tmp_path: Path) -> None:
    """When they came, and until when they are known; repeated prices are no news."""
    home = hourly(tmp_path)
    with home.place() as place:
        topic = f"{place.topics.base}/prices"

        def send(prices: PriceFeed) -> None:
            it = arrived(topic, prices)
            place.service.handle(MessageArrived(it.topic, it.payload, it.retain, it.ack))

        send(feed(7))
        place.plug_in(35.0)
        place.until(EVENING)
        send(feed(9, first=7))
        send(feed(9, first=7))
        bodies = [body for what, body in recorded(place.ledger) if what == "prices"]
        assert bodies == [
            {"known_until": (EVENING + 330 * MINUTE).isoformat()},
            {"known_until": (EVENING + 870 * MINUTE).isoformat()},
        ]
        place.leave()
    why = home.why()
    texts = [entry.text for entry in why.story if entry.kind == "prices"]
    assert texts == ["new prices come; known until 00:00", "new prices come; known until 09:00"]
    plan = next(
        it for it in why.story if it.text.startswith("planned again because new prices came")
    )
    assert plan.at == EVENING
    made = next(it for it in why.history.night.plans if it.made_at == plan.at)
    assert runs_of(made.body)[0].start == EVENING + 330 * MINUTE, "at midnight, when it is cheap"


def test_a_ledger_that_refuses_ends_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without the record the daemon still uses the new file."""
    home = Home(tmp_path)
    with home.place() as place:

        def refuse(*_row: object) -> None:
            raise LedgerError("full")

        monkeypatch.setattr(place.ledger, "add_happening", refuse)
        text = home.household.read_text("utf-8").replace("want_percent: 80", "want_percent: 70")
        home.household.write_text(text, "utf-8")
        place.wake_up()
        assert recorded(place.ledger) == [("started", KNOWN)]
        place.plug_in(35.0)
        assert place.state.plan is not None
        assert place.state.plan.want_percent == pytest.approx(70)
