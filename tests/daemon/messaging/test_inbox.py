"""Incoming messages are read, stored and made into events; bad ones are refused."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

import pytest
from structlog.testing import capture_logs

from adapters.contract.messages import (
    HomeLoad,
    MalformedMessage,
    PriceFeed,
    Reading,
    Request,
    VehicleReport,
)
from adapters.contract.topics import Topics
from daemon.control.events import LoadRead, MeterRead, PersonAsked, VehicleReported
from daemon.control.learning import AHEAD
from daemon.messaging.inbox import Inbox
from tests.daemon.worlds import EVENING, HOUR, MINUTE, POINT, arrived

if TYPE_CHECKING:
    from adapters.contract.messages import Message
    from adapters.ledger.ledger import Ledger

TOPICS = Topics("lullwatt", "Kowhai Cottage")
READING = Reading(at=EVENING, register_kwh=1000.0004, watts=7360.0, amps=32.0)


@pytest.fixture
def inbox(ledger: Ledger) -> Inbox:
    return Inbox(TOPICS, ["driveway", "Shed 2"], ledger)


def test_a_reading_is_stored(inbox: Inbox, ledger: Ledger) -> None:
    """A reading becomes an event, and a row in whole watt-hours."""
    received = inbox.receive(arrived(TOPICS.reading(POINT), READING), EVENING)
    assert received == (POINT, MeterRead(READING))
    stored = ledger.last_reading(POINT)
    assert stored is not None
    assert (stored.at, stored.register_wh, stored.watts) == (EVENING, 1_000_000, 7360.0)


def test_a_charge_point_is_found_by_its_topic_level(inbox: Inbox) -> None:
    """A name with capitals and spaces is found by the form that it has in topics."""
    received = inbox.receive(arrived("lullwatt/kowhai-cottage/shed-2/reading", READING), EVENING)
    assert received == ("Shed 2", MeterRead(READING))


def test_a_report_is_stored(inbox: Inbox, ledger: Ledger) -> None:
    """A vehicle report becomes an event and a row."""
    report = VehicleReport(at=EVENING, pilot="B", soc_percent=35.0)
    assert inbox.receive(arrived(TOPICS.vehicle(POINT), report), EVENING) == (
        POINT,
        VehicleReported(report),
    )
    stored = ledger.last_vehicle_reports(POINT)
    assert (stored.pilot, stored.soc_percent, stored.soc_at) == ("B", 35.0, EVENING)


def test_a_request_is_stored_with_the_instant_of_its_arrival(inbox: Inbox, ledger: Ledger) -> None:
    """A person's request becomes an event and a row, dated now."""
    request = Request(want_percent=90.0, skip_until=EVENING + HOUR)
    now = EVENING + MINUTE
    assert inbox.receive(arrived(TOPICS.request(POINT), request), now) == (
        POINT,
        PersonAsked(request),
    )
    (stored,) = ledger.requests_since(POINT, now)
    assert stored.at == now
    assert Request.model_validate_json(
        '{"v":1,"want_percent":90.0,"skip_until":"2026-06-03T07:30:00Z"}'
    ) == Request.model_validate(stored.body | {"want_percent": float(stored.body["want_percent"])})


@pytest.mark.parametrize(
    ("topic", "message"),
    [
        (TOPICS.reading(POINT), READING),
        (TOPICS.vehicle(POINT), VehicleReport(at=EVENING, pilot="A")),
    ],
)
def test_a_repeated_message_is_one_event(inbox: Inbox, topic: str, message: Message) -> None:
    """The same message again, retained or not, is no event."""
    assert inbox.receive(arrived(topic, message), EVENING) is not None
    assert inbox.receive(arrived(topic, message), EVENING) is None
    assert inbox.receive(arrived(topic, message, retain=True), EVENING + HOUR) is None


def test_a_retained_request_is_not_obeyed(inbox: Inbox, ledger: Ledger) -> None:
    """A request that a broker stored on another evening is ignored, and the log says so."""
    with capture_logs() as logs:
        received = inbox.receive(
            arrived(TOPICS.request(POINT), Request(charge_now=True), retain=True), EVENING
        )
    assert received is None
    assert ledger.requests_since(POINT, EVENING - HOUR) == ()
    assert logs[0]["log_level"] == "warning"


@pytest.mark.parametrize("late", [HOUR, 24 * 3650 * HOUR])
def test_a_message_dated_in_the_future_is_not_stored(
    inbox: Inbox, ledger: Ledger, late: object
) -> None:
    """A reading or report from the future must not hide all later ones."""
    at = EVENING + late  # type: ignore[operator]  # a timedelta
    with capture_logs() as logs:
        reading = Reading(at=at, register_kwh=1.0)
        assert inbox.receive(arrived(TOPICS.reading(POINT), reading), EVENING) is None
        report = VehicleReport(at=at, pilot="A")
        assert inbox.receive(arrived(TOPICS.vehicle(POINT), report), EVENING) is None
    assert [log["log_level"] for log in logs] == ["warning", "warning"]
    assert ledger.last_reading(POINT) is None
    assert ledger.last_vehicle_reports(POINT).pilot is None


@pytest.mark.parametrize(("set_by", "counts"), [(2 * HOUR, True), (HOUR, False), (0 * HOUR, False)])
def test_a_message_counts_once_it_turns_out_that_the_clock_was_behind(
    ledger: Ledger, set_by: timedelta, *, counts: bool
) -> None:
    """One that would not have been from the future by today's clock; time alone changes nothing."""
    passed = [0.0]
    inbox = Inbox(TOPICS, [POINT], ledger, seconds=lambda: passed[0])
    report = VehicleReport(at=EVENING + 2 * HOUR, pilot="B", soc_percent=35.0)
    assert inbox.receive(arrived(TOPICS.vehicle(POINT), report), EVENING) is None
    assert inbox.after_clock_was_set(EVENING) == []
    passed[0] = 3 * 3600.0
    found = inbox.after_clock_was_set(EVENING + 3 * HOUR + set_by)
    assert found == ([(POINT, VehicleReported(report))] if counts else [])
    assert (ledger.last_vehicle_reports(POINT).pilot == "B") is counts
    assert inbox.after_clock_was_set(EVENING + 3 * HOUR + set_by) == [], "it counts once"


def test_a_later_message_takes_the_place_of_one_from_the_future(ledger: Ledger) -> None:
    """Whatever its date: what came last is what is so."""
    inbox = Inbox(TOPICS, [POINT], ledger, seconds=lambda: 0.0)
    early = VehicleReport(at=EVENING + 2 * HOUR, pilot="B")
    late = VehicleReport(at=EVENING + 3 * HOUR, pilot="C")
    now = VehicleReport(at=EVENING, pilot="A")
    for report in (early, late):
        inbox.receive(arrived(TOPICS.vehicle(POINT), report), EVENING)
    assert inbox.after_clock_was_set(EVENING + 4 * HOUR) == [(POINT, VehicleReported(late))]
    for report in (early, now):
        inbox.receive(arrived(TOPICS.vehicle(POINT), report), EVENING)
    assert inbox.after_clock_was_set(EVENING + 4 * HOUR) == []


def test_a_clock_a_little_ahead_is_accepted(inbox: Inbox) -> None:
    """A reading of hardware whose clock is ten minutes ahead counts."""
    reading = Reading(at=EVENING + AHEAD, register_kwh=1.0)
    assert inbox.receive(arrived(TOPICS.reading(POINT), reading), EVENING) is not None


@pytest.mark.parametrize(
    "topic",
    [
        "lullwatt/kowhai-cottage/carport/reading",
        "lullwatt/other-house/driveway/reading",
        "lullwatt/kowhai-cottage/driveway/command",
        "lullwatt/kowhai-cottage/driveway/unheard-of",
        "lullwatt/kowhai-cottage/daemons",
        "driveway/reading",
        "",
    ],
)
def test_messages_on_other_topics_are_ignored(inbox: Inbox, ledger: Ledger, topic: str) -> None:
    """A message on another topic makes neither event nor row, whatever it holds."""
    with capture_logs():
        assert inbox.receive(arrived(topic, READING), EVENING) is None
        assert inbox.receive(arrived(topic, b"\xff"), EVENING) is None
    assert ledger.last_reading(POINT) is None


def test_prices_concern_the_household(inbox: Inbox) -> None:
    """A price feed is handed on as it is."""
    payload = b'{"v":1,"rates":[{"start":"2026-06-03T06:00:00Z","rate":0.21}]}'
    received = inbox.receive(arrived(TOPICS.prices, payload, retain=True), EVENING)
    assert isinstance(received, PriceFeed)


@pytest.mark.parametrize("late", [-30, 0, 30])
def test_a_load_concerns_the_household(inbox: Inbox, late: int) -> None:
    """A reading of the home's load is handed on if it is of the last 30 seconds."""
    load = HomeLoad(at=EVENING - late * timedelta(seconds=1), amps=(3.0,))
    assert inbox.receive(arrived(TOPICS.load, load), EVENING) == LoadRead(load)


@pytest.mark.parametrize("late", [-31, 31, 3600, -3600])
def test_an_old_load_is_refused(inbox: Inbox, late: int) -> None:
    """An hour-old reading says nothing of now, and none can be from the future."""
    load = HomeLoad(at=EVENING - late * timedelta(seconds=1), amps=(3.0,))
    with pytest.raises(MalformedMessage, match="last 30 seconds"):
        inbox.receive(arrived(TOPICS.load, load, retain=True), EVENING)


def test_the_load_of_another_home_is_none(inbox: Inbox) -> None:
    """Its topic is not this home's."""
    load = HomeLoad(at=EVENING, amps=(99.0,))
    assert inbox.receive(arrived("lullwatt/elm-street/load", load), EVENING) is None


@pytest.mark.parametrize("leaf", ["reading", "vehicle", "request"])
@pytest.mark.parametrize(
    "payload",
    [
        b"",
        b"{",
        b"null",
        b"[]",
        b"\xff\xfe",
        b'{"v":2,"at":"2026-06-03T06:30:00Z","watts":1}',
        b'{"v":1,"at":"2026-06-03T06:30:00","watts":1,"pilot":"B"}',
        b'{"v":1,"at":"2026-06-03T06:30:00Z","watts":NaN,"pilot":"G","want_percent":NaN}',
        b'{"v":1,"at":"2026-06-03T06:30:00Z"}',
        b"[" * 70_000,
    ],
)
def test_malformed_messages_are_refused_and_not_stored(
    inbox: Inbox, ledger: Ledger, leaf: str, payload: bytes
) -> None:
    """A message that does not fit its topic raises one kind of error, and leaves no row."""
    with pytest.raises(MalformedMessage):
        inbox.receive(arrived(f"{TOPICS.base}/{POINT}/{leaf}", payload), EVENING)
    assert ledger.last_reading(POINT) is None
    assert ledger.last_vehicle_reports(POINT).pilot is None
    assert ledger.requests_since(POINT, EVENING - HOUR) == ()
