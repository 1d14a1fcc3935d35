"""Hardware with topics and words of its own: what it says becomes readings; what it is told."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.contract.messages import Command, MalformedMessage, Message, Reading, VehicleReport
from adapters.wired.channels import WiredChannel
from adapters.wired.command_messages import OutgoingMessage, command_messages, stop_message
from adapters.wired.json_pointer import value_at
from adapters.wired.point import WiredPoint
from adapters.wired.values import read_values
from config.household.wiring import Hearing, Telling

NOW = datetime(2026, 6, 3, 9, 0, tzinfo=UTC)
SECOND = timedelta(seconds=1)
MINUTE = timedelta(minutes=1)
CASES = json.loads((Path(__file__).parents[2] / "data" / "outside_pointers.json").read_text())


def start(amps: float = 16.0, minutes: float = 30) -> Command:
    return Command(
        serial=7, do="start", amps=amps, valid_until=NOW + minutes * MINUTE, why="because"
    )


STOP = Command(serial=8, do="stop", valid_until=NOW + 60 * MINUTE, why="because")


def telling(**keys: Any) -> Telling:  # noqa: ANN401 - any keys of a household file
    plain = {
        "start": {"topic": "garage/plug/set", "text": "on"},
        "stop": {"topic": "garage/plug/set", "text": "off"},
    }
    return Telling.model_validate({**plain, **keys})


def said(wire: OutgoingMessage) -> tuple[str, str]:
    return wire.topic, wire.payload.decode()


# --- what is told -------------------------------------------------------------------------------


def test_plain_words() -> None:
    """A plug is told on and off."""
    told = telling()
    assert [said(wire) for wire in command_messages(told, start(), NOW, 230)] == [
        ("garage/plug/set", "on")
    ]
    assert [said(wire) for wire in command_messages(told, STOP, NOW, 230)] == [
        ("garage/plug/set", "off")
    ]


def test_a_start_that_is_void_is_told_as_a_stop() -> None:
    """What came too late to be done is not done."""
    (wire,) = command_messages(telling(), start(minutes=0), NOW, 230)
    assert wire.payload == b"off"


def test_a_current_goes_before_the_start_that_it_is_for() -> None:
    """Hardware that takes its current on another topic has it before it begins."""
    told = telling(current={"topic": "garage/plug/limit", "text": "{amps}", "retain": True})
    first, second = command_messages(told, start(13.5), NOW, 230)
    assert (said(first), first.retain) == (("garage/plug/limit", "13.5"), True)
    assert said(second) == ("garage/plug/set", "on")


def test_a_json_object_is_filled_in() -> None:
    """A value that is a placeholder alone is a number; within a text it is text."""
    told = telling(
        start={
            "topic": "t",
            "object": {
                "limit": {"amps": "{amps}", "watts": "{watts}"},
                "until": "{valid_until}",
                "say": "for {seconds} s",
                "list": ["{serial}", True, None, 1.5],
            },
        }
    )
    (wire,) = command_messages(told, start(16.0), NOW, 690)
    assert json.loads(wire.payload) == {
        "limit": {"amps": 16, "watts": 11040},
        "until": "2026-06-03T09:30:00Z",
        "say": "for 1800 s",
        "list": [7, True, None, 1.5],
    }


def test_braces_of_json_in_a_text_are_left_alone() -> None:
    """A text may be JSON written out; only our own names are filled in."""
    told = telling(start={"topic": "t", "text": '{"on": true, "max": {amps}}'})
    (wire,) = command_messages(told, start(), NOW, 230)
    assert json.loads(wire.payload) == {"on": True, "max": 16}


def test_the_stop_that_is_left_as_a_will() -> None:
    """It is the stop, with its own quality of service and whether it is kept."""
    wire = stop_message(telling(stop={"topic": "x", "text": "off", "qos": 0, "retain": True}))
    assert wire == OutgoingMessage("x", b"off", 0, retain=True)


@pytest.mark.parametrize(
    ("keys", "stays_on"),
    [
        ({}, True),
        ({"stop_as_will": True}, True),
        ({"start": {"topic": "t", "object": {"for": "{seconds}"}}}, False),
        ({"start": {"topic": "t", "text": "until {valid_until}"}}, False),
    ],
)
def test_what_would_stay_on_is_what_is_told_no_time_limit(
    keys: dict[str, Any],
    stays_on: bool,  # noqa: FBT001 - a row of the table
) -> None:
    """Hardware that is told how long a start holds ends it by itself; other must be told."""
    channel = WiredChannel(telling(**keys), Nobody(), watts_per_amp=230)
    assert channel.stays_on_without_stop == stays_on


class Nobody:
    """A bus without a broker."""

    def publish(self, topic: str, payload: bytes, *, retain: bool, qos: int = 1) -> bool:  # noqa: ARG002 - a bus
        return False


# --- what is heard ------------------------------------------------------------------------------


@pytest.mark.parametrize(("pointer", "value"), CASES["examples"])
def test_pointers_lead_where_rfc_6901_says(pointer: str, value: object) -> None:
    """Source: RFC 6901, section 5, with its own document."""
    document = CASES["document"]
    assert value_at(document, pointer) == (document if value == "<doc>" else value)


@pytest.mark.parametrize(
    "pointer", ["/foo/2", "/foo/-", "/foo/01", "/foo/x", "/nothing", "/foo/0/x"]
)
def test_pointers_that_lead_nowhere(pointer: str) -> None:
    """An index that is none, a key that is not there: the error says so."""
    with pytest.raises(LookupError):
        value_at({"foo": ["bar", "baz"]}, pointer)


def hearing(**keys: dict[str, Any]) -> Hearing:
    return Hearing.model_validate(keys)


@pytest.mark.parametrize(
    ("key", "spec", "payload", "value"),
    [
        ("power", {}, b"3610.5", 3610.5),
        ("power", {}, b" 3610 \n", 3610.0),
        ("power", {"unit": "kW"}, b"3.6", 3600.0),
        ("power", {"pointer": "/p/0", "scale": 0.1}, b'{"p": [36100]}', 3610.0),
        ("power", {"pointer": "/p"}, b'{"p": "3610"}', 3610.0),
        ("power", {"scale": -1}, b"-3610", 3610.0),
        ("energy", {}, b"1234.567", 1234.567),
        ("energy", {"unit": "Wh"}, b"1234567", 1234.567),
        ("energy", {"unit": "MWh"}, b"1.234567", 1234.567),
        ("energy", {"unit": "Wh", "scale": 100}, b"12345.67", 1234.567),
        ("current", {}, b"15.7", 15.7),
        ("soc", {"pointer": "/soc"}, b'{"soc": 41}', 41.0),
        ("pilot", {}, b"C", "C"),
        ("pilot", {"words": {"charging": "C", "idle": "B"}}, b"charging", "C"),
        ("pilot", {"pointer": "/s", "words": {"3": "C"}}, b'{"s": 3}', "C"),
        ("plugged_in", {}, b"ON", True),
        ("plugged_in", {}, b"0", False),
        ("plugged_in", {"pointer": "/in"}, b'{"in": true}', True),
        ("plugged_in", {"words": {"here": True, "gone": False}}, b"gone", False),
    ],
)
def test_values_are_read_in_our_units(
    key: str, spec: dict[str, Any], payload: bytes, value: object
) -> None:
    """Numbers plain or by pointer, scaled, in watts, kilowatt-hours, amperes, percent; words."""
    (heard,) = read_values(hearing(**{key: {"topic": "t", **spec}}), "t", payload)
    assert heard.what == key
    assert heard.value == (pytest.approx(value) if isinstance(value, float) else value)


@pytest.mark.parametrize(
    ("key", "spec", "payload", "reason"),
    [
        ("power", {}, b"off", 'power: expected a number, got "off"'),
        ("power", {}, b"", 'power: expected a number, got ""'),
        ("power", {}, b"nan", 'power: expected a number, got "nan"'),
        ("power", {}, b"1e999", 'power: expected a number, got "1e999"'),
        ("power", {}, b"\xff", "power: expected UTF-8 text"),
        ("power", {"pointer": "/p"}, b"{", "power: expected JSON"),
        ("power", {"pointer": "/p"}, b"[" * 60_000, "power: expected JSON"),
        ("power", {"pointer": "/p"}, b"{}", "power: nothing at /p: there is no 'p'"),
        ("power", {"pointer": "/p"}, b'{"p": true}', "power: expected a number, got true"),
        ("power", {"pointer": "/p"}, b'{"p": [1]}', "power: expected a number, got [1]"),
        ("pilot", {}, b"G", 'pilot: expected one of A, B, C, D, E, F, got "G"'),
        ("pilot", {"words": {"x": "C"}}, b"C", 'pilot: expected one of x, got "C"'),
        ("power", {}, b"1" * 70_000, "larger than 64 KiB"),
    ],
)
def test_what_is_not_as_the_file_says_is_refused(
    key: str, spec: dict[str, Any], payload: bytes, reason: str
) -> None:
    """The reason says which value, and what was there instead."""
    with pytest.raises(MalformedMessage) as caught:
        read_values(hearing(**{key: {"topic": "t", **spec}}), "t", payload)
    assert str(caught.value) == reason


@given(st.binary(max_size=200))
def test_any_bytes_are_read_or_refused(payload: bytes) -> None:
    """Nothing but `MalformedMessage` ever comes of a payload."""
    everything = hearing(
        power={"topic": "t", "pointer": "/a"}, energy={"topic": "t"}, soc={"topic": "+"},
        pilot={"topic": "#"}, current={"topic": "t", "pointer": ""},
    )  # fmt: skip
    point = WiredPoint(everything, watts_per_amp=230)
    try:
        messages = point.read("t", payload, NOW, retain=False)
    except MalformedMessage:
        return
    assert all(isinstance(message, Reading | VehicleReport) for message in messages)


def test_one_message_may_hold_several_values() -> None:
    """Power, energy and current of one JSON report are one reading; a wildcard may fill a level."""
    wired = hearing(
        power={"topic": "meters/+/state", "pointer": "/power"},
        energy={"topic": "meters/+/state", "pointer": "/total", "unit": "Wh"},
        soc={"topic": "car/soc"},
    )
    point = WiredPoint(wired, watts_per_amp=230)
    assert point.topic_filters == ("meters/+/state", "car/soc")
    payload = b'{"power": 3610, "total": 1234567}'
    (reading,) = point.read("meters/garage/state", payload, NOW, retain=False)
    assert reading == Reading(at=NOW, register_kwh=1234.567, watts=3610)
    assert point.read("car/soc", b"41", NOW, retain=True) == (
        VehicleReport(at=NOW, soc_percent=41),
    )
    assert point.read("meters/garage/other", payload, NOW, retain=False) == ()


def test_a_plug_that_tells_whether_it_is_used() -> None:
    """A word for plugged in is the pilot state B, and A without a vehicle."""
    point = WiredPoint(hearing(plugged_in={"topic": "t"}), watts_per_amp=230)
    assert point.read("t", b"on", NOW, retain=True) == (VehicleReport(at=NOW, pilot="B"),)
    assert point.read("t", b"off", NOW, retain=False) == (VehicleReport(at=NOW, pilot="A"),)


# --- energy out of power ------------------------------------------------------------------------


def readings(messages: tuple[Message, ...]) -> list[Reading]:
    return [message for message in messages if isinstance(message, Reading)]


def test_power_alone_is_counted_into_energy() -> None:
    """An hour of 3,600 W, told every minute, is 3.6 kWh on top of where the register stood."""
    point = WiredPoint(hearing(power={"topic": "t"}), watts_per_amp=230, register_kwh=100.0)
    told: list[Reading] = []
    for minute in range(61):
        told += readings(point.read("t", b"3600", NOW + minute * MINUTE, retain=False))
    assert told[0].register_kwh == 100.0
    assert told[-1].register_kwh == pytest.approx(103.6)


def test_power_is_held_for_a_quarter_of_an_hour_at_most() -> None:
    """After a silence nobody knows what flowed: no more than 15 minutes of it are counted."""
    point = WiredPoint(hearing(power={"topic": "t"}), watts_per_amp=230)
    point.read("t", b"4000", NOW, retain=False)
    (reading,) = readings(point.read("t", b"0", NOW + 120 * MINUTE, retain=False))
    assert reading.register_kwh == pytest.approx(1.0)


def test_a_current_alone_gives_power_and_energy() -> None:
    """10 A on three phases at 230 V are 6,900 W."""
    point = WiredPoint(hearing(current={"topic": "t"}), watts_per_amp=690)
    (first,) = readings(point.read("t", b"10", NOW, retain=False))
    (second,) = readings(point.read("t", b"10", NOW + 10 * MINUTE, retain=False))
    assert (first.watts, first.amps) == (6900.0, 10.0)
    assert second.register_kwh == pytest.approx(1.15)


def test_power_that_the_broker_kept_is_of_another_time() -> None:
    """A retained power is passed over, or it would be counted from now on."""
    point = WiredPoint(hearing(power={"topic": "t"}), watts_per_amp=230)
    assert point.read("t", b"7360", NOW, retain=True) == ()
    (reading,) = readings(point.read("t", b"0", NOW + 10 * MINUTE, retain=False))
    assert reading.register_kwh == 0.0


def test_reports_that_come_too_fast_are_thinned_and_lose_nothing() -> None:
    """Ten a second become one in five seconds, a change of power at once, and all is counted."""
    point = WiredPoint(hearing(power={"topic": "t"}), watts_per_amp=230)
    told: list[Reading] = []
    for tenth in range(600):
        watts = b"3600" if tenth < 300 else b"0"
        told += readings(point.read("t", watts, NOW + tenth * SECOND / 10, retain=False))
    assert len(told) <= 14
    assert any(reading.watts == 0 and reading.at - NOW == 30 * SECOND for reading in told)
    assert told[-1].register_kwh == pytest.approx(3.6 * 30 / 3600, abs=1e-6)


@given(st.lists(st.tuples(st.integers(1, 900), st.integers(0, 22_000)), min_size=1, max_size=50))
def test_counted_energy_is_the_integral_of_the_power_held(steps: list[tuple[int, int]]) -> None:
    """However power comes and goes, each is held until the next: the register is their integral."""
    point = WiredPoint(hearing(power={"topic": "t"}), watts_per_amp=230)
    now, kwh = NOW, 0.0
    for seconds, watts in steps:
        point.read("t", str(watts).encode(), now, retain=False)
        now += seconds * SECOND
        kwh += watts * seconds / 3_600_000
    point.read("t", b"0", now, retain=False)
    (reading,) = readings(point.read("t", b"0", now + MINUTE, retain=False))
    assert reading.register_kwh == pytest.approx(kwh, abs=1e-9)
