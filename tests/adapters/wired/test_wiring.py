"""Commands to wired hardware, and the readings made of its messages."""

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
from config.household.wiring import WiringInputs, WiringOutputs

NOW = datetime(2026, 6, 3, 9, 0, tzinfo=UTC)
SECOND = timedelta(seconds=1)
MINUTE = timedelta(minutes=1)
IN_TEXT = "power: expected a number and its unit (W, kW, MW), got "
LONG = f'power: expected a text like P={{power}}, got "P={"2" * 97}...'
CASES = json.loads((Path(__file__).parents[2] / "data" / "outside_pointers.json").read_text())


def start(amps: float = 16.0, minutes: float = 30) -> Command:
    return Command(
        serial=7, do="start", amps=amps, valid_until=NOW + minutes * MINUTE, why="because"
    )


STOP = Command(serial=8, do="stop", valid_until=NOW + 60 * MINUTE, why="because")


def wiring_outputs(**keys: Any) -> WiringOutputs:  # noqa: ANN401 - any keys of a household file
    plain = {
        "start": {"topic": "garage/plug/set", "text": "on"},
        "stop": {"topic": "garage/plug/set", "text": "off"},
    }
    return WiringOutputs.model_validate({**plain, **keys})


def text_of(message: OutgoingMessage) -> tuple[str, str]:
    return message.topic, message.payload.decode()


# --- commands -----------------------------------------------------------------------------------


def test_a_plug_receives_on_and_off() -> None:
    """A start is the text of `start`, a stop the text of `stop`."""
    wiring = wiring_outputs()
    assert [text_of(message) for message in command_messages(wiring, start(), NOW, 230)] == [
        ("garage/plug/set", "on")
    ]
    assert [text_of(message) for message in command_messages(wiring, STOP, NOW, 230)] == [
        ("garage/plug/set", "off")
    ]


def test_an_expired_start_is_sent_as_a_stop() -> None:
    """Hardware must not start after the command has expired."""
    (message,) = command_messages(wiring_outputs(), start(minutes=0), NOW, 230)
    assert message.payload == b"off"


def test_the_current_is_sent_before_the_start() -> None:
    """Hardware that takes its current on another topic must have it before it starts."""
    wiring = wiring_outputs(
        current={"topic": "garage/plug/limit", "text": "{amps}", "retain": True}
    )
    first, second = command_messages(wiring, start(13.5), NOW, 230)
    assert (text_of(first), first.retain) == (("garage/plug/limit", "13.5"), True)
    assert text_of(second) == ("garage/plug/set", "on")


def test_a_json_object_is_filled_in() -> None:
    """A value that is only a placeholder becomes a number; within a text it becomes text."""
    wiring = wiring_outputs(
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
    (message,) = command_messages(wiring, start(16.0), NOW, 690)
    assert json.loads(message.payload) == {
        "limit": {"amps": 16, "watts": 11040},
        "until": "2026-06-03T09:30:00Z",
        "say": "for 1800 s",
        "list": [7, True, None, 1.5],
    }


def test_braces_of_json_in_a_text_are_left_alone() -> None:
    """A text may be JSON; only the placeholders are filled in."""
    wiring = wiring_outputs(start={"topic": "t", "text": '{"on": true, "max": {amps}}'})
    (message,) = command_messages(wiring, start(), NOW, 230)
    assert json.loads(message.payload) == {"on": True, "max": 16}


def test_the_will_is_the_stop() -> None:
    """It has the payload, the quality of service and the retain flag of the stop."""
    message = stop_message(
        wiring_outputs(stop={"topic": "x", "text": "off", "qos": 0, "retain": True})
    )
    assert message == OutgoingMessage("x", b"off", 0, retain=True)


@pytest.mark.parametrize(
    ("keys", "needs_a_stop"),
    [
        ({}, True),
        ({"stop_as_will": True}, True),
        ({"start": {"topic": "t", "object": {"for": "{seconds}"}}}, False),
        ({"start": {"topic": "t", "text": "until {valid_until}"}}, False),
    ],
)
def test_hardware_without_a_time_limit_needs_a_stop(
    keys: dict[str, Any],
    needs_a_stop: bool,  # noqa: FBT001 - a row of the table
) -> None:
    """Hardware that knows when a start expires stops by itself; other hardware does not."""
    channel = WiredChannel(wiring_outputs(**keys), NoBroker(), watts_per_amp=230)
    assert channel.needs_a_stop == needs_a_stop


def test_a_start_waits_until_something_would_end_it() -> None:
    """Hardware without its Will at the broker would stay on if the daemon died; a stop goes out."""
    sender, is_up = Sent(), [False]
    outputs = wiring_outputs(stop_as_will=True)
    channel = WiredChannel(outputs, sender, watts_per_amp=230, may_start=lambda: is_up[0])
    channel.send(start(), (), NOW)
    channel.send_again(NOW + timedelta(minutes=1))
    assert sender.payloads == []
    is_up[0] = True
    channel.send_again(NOW + timedelta(minutes=2))
    is_up[0] = False
    channel.send(STOP, (), NOW + timedelta(minutes=3))
    assert len(sender.payloads) == 2


def test_a_start_without_an_answer_is_not_tried_again_once_nothing_would_end_it() -> None:
    """The Will may go while the answer is waited for; what has expired is still stopped."""
    sender, is_up = Sent(), [True]
    answer = {"topic": "garage/plug/says"}
    outputs = wiring_outputs(stop_as_will=True, acknowledgement=answer, answer_seconds=10)
    channel = WiredChannel(outputs, sender, watts_per_amp=230, may_start=lambda: is_up[0])
    channel.send(start(), (), NOW)
    is_up[0] = False
    channel.advance(NOW + timedelta(seconds=10))
    assert sender.payloads == [b"on"]
    channel.send(start(), (), NOW + timedelta(days=1))
    assert sender.payloads == [b"on", b"off"]


class Sent:
    """A bus that notes what it is given."""

    def __init__(self) -> None:
        self.payloads: list[bytes] = []

    def publish(self, topic: str, payload: bytes, *, retain: bool, qos: int = 1) -> bool:  # noqa: ARG002 - a bus
        self.payloads.append(payload)
        return True


class NoBroker:
    """A bus without a broker."""

    def publish(self, topic: str, payload: bytes, *, retain: bool, qos: int = 1) -> bool:  # noqa: ARG002 - a bus
        return False


# --- values -------------------------------------------------------------------------------------


@pytest.mark.parametrize(("pointer", "value"), CASES["examples"])
def test_pointers_lead_where_rfc_6901_says(pointer: str, value: object) -> None:
    """Source: RFC 6901, section 5, with its own document."""
    document = CASES["document"]
    assert value_at(document, pointer) == (document if value == "<doc>" else value)


@pytest.mark.parametrize(
    "pointer", ["/foo/2", "/foo/-", "/foo/01", "/foo/x", "/nothing", "/foo/0/x"]
)
def test_pointers_that_lead_nowhere(pointer: str) -> None:
    """A bad index or a missing key raises an error."""
    with pytest.raises(LookupError):
        value_at({"foo": ["bar", "baz"]}, pointer)


def wiring_inputs(**keys: dict[str, Any]) -> WiringInputs:
    return WiringInputs.model_validate(keys)


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
        ("power", {"unit": "in_text"}, b"2.30 kW", 2300.0),
        ("power", {"unit": "in_text"}, b"2300W", 2300.0),
        ("power", {"unit": "in_text"}, b"-1.5e3 w", -1500.0),
        ("power", {"unit": "in_text", "decimal_comma": True}, b"2,30 KW", 2300.0),
        ("power", {"unit": "in_text", "pointer": "/p"}, b'{"p": "2.30 kW"}', 2300.0),
        ("power", {"decimal_comma": True}, b"2300,5", 2300.5),
        ("power", {}, "\N{MINUS SIGN}20".encode(), -20.0),
        ("energy", {"unit": "in_text"}, b"12.5 kWh", 12.5),
        ("current", {"unit": "mA"}, b"9870", 9.87),
        ("soc", {"unit": "in_text"}, b"41 %", 41.0),
        ("power", {"pattern": "P={power};E={energy};{}"}, b"P=2300;E=1.5;x", 2300.0),
        ("energy", {"pattern": "P={power};E={energy};{}"}, b"P=2300;E=1.5;x", 1.5),
        ("power", {"pattern": "{} {power} {}", "unit": "kW"}, b"at  2.3 and on", 2300.0),
        ("power", {"pattern": "{power}/{power}/{power} W"}, b"700/800/900 W", 2400.0),
        ("current", {"pattern": "{current}/{current}"}, b"9.8/10.2", 10.2),
        ("pilot", {"pattern": "state {pilot}"}, b"state C", "C"),
        (
            "plugged_in",
            {"pointer": "/s", "pattern": "cable {plugged_in}"},
            b'{"s": "cable on"}',
            True,
        ),
    ],
)
def test_values_are_read_in_our_units(
    key: str, spec: dict[str, Any], payload: bytes, value: object
) -> None:
    """Numbers plain or by pointer, scaled to watts, kWh, amperes or percent; and words."""
    (read,) = read_values(wiring_inputs(**{key: {"topic": "t", **spec}}), "t", payload)
    assert read.key == key
    assert read.value == (pytest.approx(value) if isinstance(value, float) else value)


@pytest.mark.parametrize(
    ("key", "spec", "payload", "reason"),
    [
        ("power", {}, b"off", 'power: expected a number, got "off"'),
        ("power", {}, b"1_000", 'power: expected a number, got "1_000"'),
        ("power", {}, b"2,300", 'power: expected a number, got "2,300"'),
        ("power", {"decimal_comma": True}, b"2.300,5", 'power: expected a number, got "2.300,5"'),
        ("power", {"unit": "in_text"}, b"2300", f'{IN_TEXT}"2300"'),
        ("power", {"unit": "in_text"}, b"2 kWh", f'{IN_TEXT}"2 kWh"'),
        ("power", {"unit": "in_text"}, b"2300 mW", f'{IN_TEXT}"2300 mW"'),
        ("power", {"unit": "in_text"}, b"NaN kW", f'{IN_TEXT}"NaN kW"'),
        ("power", {"unit": "in_text"}, b"", f'{IN_TEXT}""'),
        (
            "power",
            {"pattern": "P={power};{}"},
            b"E=1",
            'power: expected a text like P={power};{}, got "E=1"',
        ),
        ("power", {"pattern": "P={power}"}, b"P=2;3", 'power: expected a number, got "2;3"'),
        ("power", {"pattern": "P={power}"}, b"P=" + b"2" * 5000, LONG),
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
def test_a_payload_that_does_not_match_the_file_is_refused(
    key: str, spec: dict[str, Any], payload: bytes, reason: str
) -> None:
    """The reason names the value and shows what was found instead."""
    with pytest.raises(MalformedMessage) as caught:
        read_values(wiring_inputs(**{key: {"topic": "t", **spec}}), "t", payload)
    assert str(caught.value) == reason


def test_a_sum_is_known_once_all_its_parts_are() -> None:
    """Three phases on topics of their own, in whatever order they come; an old part is dropped."""
    parts = [{"topic": f"p/{n}", "unit": "kW"} for n in (1, 2, 3)]
    keys = [{"topic": "m", "pointer": f"/{n}"} for n in (1, 2)]
    point = WiredPoint(
        wiring_inputs(
            power={"sum": parts}, energy={"sum": keys},
            current={"highest": [{"topic": "a/1"}, {"topic": "a/2"}]},
        ),
        watts_per_amp=230,
    )  # fmt: skip
    assert readings_of(point, "p/3", b"0.7") == []
    assert readings_of(point, "p/1", b"0.8", SECOND) == []
    assert readings_of(point, "p/2", b"0.9", 2 * SECOND) == [(2400.0, None, None)]
    assert readings_of(point, "m", b'{"1": 10.5, "2": 20}', 8 * SECOND) == [(None, None, 30.5)]
    assert readings_of(point, "a/1", b"9", 20 * SECOND) == []
    assert readings_of(point, "a/2", b"7", 26 * SECOND) == [(None, 9.0, None)]
    assert readings_of(point, "p/1", b"0.8", 15 * MINUTE) == []


def test_a_stored_part_of_a_sum_is_too_old() -> None:
    """What the broker has kept of one phase is no power of now."""
    point = WiredPoint(
        wiring_inputs(power={"sum": [{"topic": "p/1"}, {"topic": "p/2"}]}), watts_per_amp=230
    )
    assert point.read("p/1", b"700", NOW, retain=True) == ()
    assert point.read("p/2", b"700", NOW, retain=False) == ()


def readings_of(
    point: WiredPoint, topic: str, payload: bytes, after: timedelta = timedelta(0)
) -> list[tuple[float | None, float | None, float | None]]:
    read = point.read(topic, payload, NOW + after, retain=False)
    return [(e.watts, e.amps, e.register_kwh) for e in read if isinstance(e, Reading)]


@given(st.binary(max_size=200))
def test_any_bytes_are_read_or_refused(payload: bytes) -> None:
    """A payload raises nothing but `MalformedMessage`."""
    everything = wiring_inputs(
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
    """Power and energy in one JSON message make one reading; a wildcard may fill a level."""
    wired = wiring_inputs(
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


def test_a_plug_that_reports_whether_a_vehicle_is_plugged_in() -> None:
    """Plugged in is the pilot state B, and not plugged in is A."""
    point = WiredPoint(wiring_inputs(plugged_in={"topic": "t"}), watts_per_amp=230)
    assert point.read("t", b"on", NOW, retain=True) == (VehicleReport(at=NOW, pilot="B"),)
    assert point.read("t", b"off", NOW, retain=False) == (VehicleReport(at=NOW, pilot="A"),)


# --- energy from power --------------------------------------------------------------------------


def readings(messages: tuple[Message, ...]) -> list[Reading]:
    return [message for message in messages if isinstance(message, Reading)]


def test_power_alone_is_counted_into_energy() -> None:
    """An hour of 3,600 W, reported every minute, adds 3.6 kWh to the register."""
    point = WiredPoint(wiring_inputs(power={"topic": "t"}), watts_per_amp=230, register_kwh=100.0)
    made: list[Reading] = []
    for minute in range(61):
        made += readings(point.read("t", b"3600", NOW + minute * MINUTE, retain=False))
    assert made[0].register_kwh == 100.0
    assert made[-1].register_kwh == pytest.approx(103.6)


def test_power_counts_for_a_quarter_of_an_hour_at_most() -> None:
    """During a long silence nobody knows what flowed: only its first 15 minutes count."""
    point = WiredPoint(wiring_inputs(power={"topic": "t"}), watts_per_amp=230)
    point.read("t", b"4000", NOW, retain=False)
    (reading,) = readings(point.read("t", b"0", NOW + 120 * MINUTE, retain=False))
    assert reading.register_kwh == pytest.approx(1.0)


def test_a_current_alone_gives_power_and_energy() -> None:
    """10 A on three phases at 230 V are 6,900 W."""
    point = WiredPoint(wiring_inputs(current={"topic": "t"}), watts_per_amp=690)
    (first,) = readings(point.read("t", b"10", NOW, retain=False))
    (second,) = readings(point.read("t", b"10", NOW + 10 * MINUTE, retain=False))
    assert (first.watts, first.amps) == (6900.0, 10.0)
    assert second.register_kwh == pytest.approx(1.15)


def test_a_retained_power_is_ignored() -> None:
    """It is old, and would otherwise count from now on."""
    point = WiredPoint(wiring_inputs(power={"topic": "t"}), watts_per_amp=230)
    assert point.read("t", b"7360", NOW, retain=True) == ()
    (reading,) = readings(point.read("t", b"0", NOW + 10 * MINUTE, retain=False))
    assert reading.register_kwh == 0.0


def test_frequent_reports_are_thinned_without_losing_energy() -> None:
    """Ten a second become one in 5 s; a change of power passes at once; all energy counts."""
    point = WiredPoint(wiring_inputs(power={"topic": "t"}), watts_per_amp=230)
    made: list[Reading] = []
    for tenth in range(600):
        watts = b"3600" if tenth < 300 else b"0"
        made += readings(point.read("t", watts, NOW + tenth * SECOND / 10, retain=False))
    assert len(made) <= 14
    assert any(reading.watts == 0 and reading.at - NOW == 30 * SECOND for reading in made)
    assert made[-1].register_kwh == pytest.approx(3.6 * 30 / 3600, abs=1e-6)


@given(st.lists(st.tuples(st.integers(1, 900), st.integers(0, 22_000)), min_size=1, max_size=50))
def test_counted_energy_is_the_integral_of_the_power(steps: list[tuple[int, int]]) -> None:
    """Each reported power flows until the next one: the register is their integral."""
    point = WiredPoint(wiring_inputs(power={"topic": "t"}), watts_per_amp=230)
    now, kwh = NOW, 0.0
    for seconds, watts in steps:
        point.read("t", str(watts).encode(), now, retain=False)
        now += seconds * SECOND
        kwh += watts * seconds / 3_600_000
    point.read("t", b"0", now, retain=False)
    (reading,) = readings(point.read("t", b"0", now + MINUTE, retain=False))
    assert reading.register_kwh == pytest.approx(kwh, abs=1e-9)
