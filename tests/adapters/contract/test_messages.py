"""Messages: valid ones are read and written unchanged, all others are refused briefly."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta, timezone
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from adapters.contract.messages import (
    Alert,
    Command,
    DaemonState,
    HomeLoad,
    MalformedMessage,
    Message,
    PriceFeed,
    Reading,
    Request,
    Status,
    VehicleReport,
    decode,
    encode,
)

NOON = datetime(2026, 6, 3, 0, 0, tzinfo=UTC)
AT = '"at":"2026-06-03T00:00:00Z"'


def test_a_command_as_the_contract_shows_it() -> None:
    """A start is compact JSON with its version first, its instant in UTC, and no empty keys."""
    command = Command(
        serial=412,
        do="start",
        amps=16,
        valid_until=NOON.astimezone(timezone(timedelta(hours=12))),
        why="cheapest hours before 07:20",
    )
    assert encode(command) == (
        b'{"v":1,"serial":412,"do":"start","amps":16.0,"valid_until":"2026-06-03T00:00:00Z",'
        b'"why":"cheapest hours before 07:20"}'
    )


def test_a_stop_has_no_amps() -> None:
    """A start says how many amps, a stop says none, and 0 is no start."""
    stop = Command(serial=1, do="stop", valid_until=NOON, why="outside the plan")
    assert b"amps" not in encode(stop)
    for do, amps in (("start", None), ("stop", 6.0), ("start", 0.0), ("start", -6.0)):
        with pytest.raises(ValidationError):
            Command(serial=1, do=do, amps=amps, valid_until=NOON, why="")  # type: ignore[arg-type]


def test_a_reading_of_real_hardware() -> None:
    """Offsets are normalised, unknown keys passed over, whole numbers are fine for floats."""
    reading = decode(
        Reading,
        b'{"v":1,"at":"2026-06-03T12:00:00.250+12:00","register_kwh":1234.567,"watts":3610,'
        b'"firmware":{"name":"x","deep":[1,2]}}',
    )
    assert reading == Reading(
        at=NOON + timedelta(milliseconds=250), register_kwh=1234.567, watts=3610.0
    )
    assert reading.at.tzinfo is UTC
    assert reading.register_wh == 1_234_567


@pytest.mark.parametrize(
    ("register_kwh", "register_wh"), [(0, 0), (1234.56, 1_234_560), (0.0006, 1), (None, None)]
)
def test_the_register_in_watt_hours(register_kwh: float | None, register_wh: int | None) -> None:
    """The ledger's whole watt-hours are the nearest to what the meter shows."""
    assert Reading(at=NOON, register_kwh=register_kwh, watts=0).register_wh == register_wh


@pytest.mark.parametrize(
    "body",
    [
        f"{{{AT}}}",  # says nothing
        '{"watts":1}',  # no instant
        '{"at":"2026-06-03T00:00:00","watts":1}',  # a naive instant
        '{"at":1780444800,"watts":1}',  # a number for an instant
        '{"at":null,"watts":1}',
        f'{{{AT},"watts":"1"}}',  # text for a number
        f'{{{AT},"watts":true}}',
        f'{{{AT},"watts":1e999}}',  # not finite
        f'{{{AT},"watts":{"9" * 400}}}',  # larger than any float
        f'{{{AT},"watts":NaN}}',
        f'{{{AT},"watts":1,"note":Infinity}}',  # not JSON, though in a key nobody reads
        f'{{{AT},"watts":1000000}}',
        f'{{{AT},"register_kwh":-0.001}}',
        f'{{{AT},"register_kwh":1000000000}}',
        f'{{{AT},"watts":1,"v":2}}',  # another contract
        "[]",
        "null",
        '"text"',
        "1",
        "",
        "{",
        f"{{{AT},}}",
        f'{{{AT},"watts":1}} and more',
        f'{{{AT},"watts":1,"note":"\\ud800"}}',  # half a character
        "[" * 20_000 + "]" * 20_000,  # too deep
        "1" * 60_000,
    ],
)
def test_a_reading_that_is_none(body: str) -> None:
    """Each of these is refused with a short reason, and nothing else is raised."""
    with pytest.raises(MalformedMessage) as refused:
        decode(Reading, body.encode())
    assert 0 < len(str(refused.value)) < 250
    assert "\n" not in str(refused.value)


def test_bytes_that_are_no_text() -> None:
    """Bytes that are not UTF-8, and UTF-8 with a byte order mark, are refused."""
    for payload in (b"\xff\xfe{}", b'{"at":"\xff"}', b"\xef\xbb\xbf{}", bytes(range(256))):
        with pytest.raises(MalformedMessage, match="not JSON"):
            decode(Reading, payload)


def test_the_largest_payload() -> None:
    """A payload of 64 KiB is read, one byte more is refused unread."""
    frame = f'{{{AT},"watts":1,"note":""}}'
    fits = frame.replace('""', '"' + "x" * (65_536 - len(frame)) + '"').encode()
    assert len(fits) == 65_536
    assert decode(Reading, fits).watts == 1
    with pytest.raises(MalformedMessage, match="larger than 64 KiB"):
        decode(Reading, fits.replace(b"xx", b"xxx", 1))


def test_the_reason_names_the_place() -> None:
    """The reason says which key is wrong, and does not repeat what was sent."""
    with pytest.raises(MalformedMessage) as refused:
        decode(Reading, f'{{{AT},"watts":"{"secret" * 50}"}}'.encode())
    assert str(refused.value) == "watts: Input should be a valid number"


@pytest.mark.parametrize("pilot", list("ABCDEF"))
def test_pilot_states(pilot: str) -> None:
    """The states A to F of IEC 61851-1 are read (their letters are from memory of the trade)."""
    body = f'{{"v":1,{AT},"pilot":"{pilot}"}}'.encode()
    assert decode(VehicleReport, body).pilot == pilot


@pytest.mark.parametrize(
    "body",
    ['"pilot":"G"', '"pilot":"a"', '"soc_percent":100.1', '"soc_percent":-1', '"note":1'],
)
def test_a_vehicle_report_that_is_none(body: str) -> None:
    """Other states, impossible percentages and empty reports are refused."""
    with pytest.raises(MalformedMessage):
        decode(VehicleReport, f'{{"v":1,{AT},{body}}}'.encode())


@pytest.mark.parametrize(
    ("body", "expected"),
    [
        (
            '"want_percent":100,"by":"2026-06-03T00:00:00Z"',
            Request(want_percent=100, by=NOON),
        ),
        ('"need_percent":60,"want_percent":80', Request(need_percent=60, want_percent=80)),
        ('"soc_percent":0', Request(soc_percent=0)),
        ('"charge_now":true', Request(charge_now=True)),
        ('"charge_now":false', Request(charge_now=False)),
        ('"skip_until":"2026-06-03T00:00:00Z"', Request(skip_until=NOON)),
        ('"clear":true', Request(clear=True)),
        (
            '"id":"7","charge_now":true,"preview":true',
            Request(id="7", charge_now=True, preview=True),
        ),
    ],
)
def test_requests(body: str, expected: Request) -> None:
    """What a person may ask for, alone or together; zero and false count too."""
    assert decode(Request, f'{{"v":1,{body}}}'.encode()) == expected
    assert decode(Request, encode(expected)) == expected


@pytest.mark.parametrize(
    ("body", "reason"),
    [
        ("", "asks for something"),
        (',"by":"2026-06-03T00:00:00Z"', "asks for something"),
        (',"want_percent":100,"by":"Kim"', "by: expected an instant"),
        (',"want_precent":100', "want_precent"),
        (',"charge_now":1', "charge_now"),
        (',"charge_now":true,"skip_until":"2026-06-03T00:00:00Z"', "contradict"),
        (',"need_percent":80,"want_percent":60', "below"),
        (',"want_percent":101', "want_percent"),
        (',"charge_now":true,"preview":true', "a preview has an id"),
        (',"id":"7","preview":true', "asks for something"),
    ],
)
def test_a_request_that_is_none(body: str, reason: str) -> None:
    """A request that is empty, misspelt or contradictory is refused, with the reason."""
    with pytest.raises(MalformedMessage, match=reason):
        decode(Request, f'{{"v":1{body}}}'.encode())


def test_prices_are_exact() -> None:
    """A rate is the decimal number that was written, negative ones too, and is written again."""
    feed = decode(
        PriceFeed,
        b'{"v":1,"rates":[{"start":"2026-06-03T00:00:00Z","rate":0.21},'
        b'{"start":"2026-06-03T12:30:00+12:00","rate":-0.1,"area":"x"}]}',
    )
    assert [point.rate for point in feed.rates] == [Decimal("0.21"), Decimal("-0.1")]
    assert [point.start for point in feed.rates] == [NOON, NOON + timedelta(minutes=30)]
    assert json.loads(encode(feed))["rates"][0] == {"start": "2026-06-03T00:00:00Z", "rate": 0.21}


@pytest.mark.parametrize(
    "rates",
    ["[]", "{}", "null", '[{"start":"2026-06-03T00:00:00Z"}]', '[{"rate":1}]', '["x"]']
    + [f'[{{"start":"2026-06-03T00:00:00Z","rate":{rate}}}]' for rate in ('"1"', "true", "1e9")],
)
def test_a_price_feed_that_is_none(rates: str) -> None:
    """Feeds without prices, or with something else in their place, are refused."""
    with pytest.raises(MalformedMessage, match="rates"):
        decode(PriceFeed, f'{{"v":1,"rates":{rates}}}'.encode())


def test_the_load_has_one_or_three_phases() -> None:
    """The home's load is one current for all phases, or one for each."""
    assert decode(HomeLoad, f'{{{AT},"amps":[21.3, 4, -2.5]}}'.encode()).amps == (21.3, 4, -2.5)
    assert decode(HomeLoad, f'{{{AT},"amps":[21.3]}}'.encode()).amps == (21.3,)
    for amps in (
        "[]", "[1,2]", "[1,2,3,4]", "21.3", '["1"]', "[10000]", "[-2001]",
    ):  # fmt: skip
        with pytest.raises(MalformedMessage, match="amps"):
            decode(HomeLoad, f'{{{AT},"amps":{amps}}}'.encode())
    for amps in ("[NaN]", "[1e999]"):
        with pytest.raises(MalformedMessage):
            decode(HomeLoad, f'{{{AT},"amps":{amps}}}'.encode())


def test_a_load_excludes_the_charge_points_unless_it_says_so() -> None:
    """Without the key it is as it always was; the key has no other value than yes and no."""
    assert not decode(HomeLoad, f'{{{AT},"amps":[3]}}'.encode()).includes_charge_points
    with_key = f'{{{AT},"amps":[3],"includes_charge_points":true}}'
    assert decode(HomeLoad, with_key.encode()).includes_charge_points
    with pytest.raises(MalformedMessage, match="includes_charge_points"):
        decode(HomeLoad, with_key.replace("true", '"yes"').encode())


def test_messages_do_not_change() -> None:
    """A message is frozen once it is made."""
    reading = Reading(at=NOON, watts=1)
    with pytest.raises(ValidationError, match="frozen"):
        reading.watts = 2  # type: ignore[misc]


def test_naive_instants_are_refused_in_python_too() -> None:
    """A datetime without an offset is a programming error."""
    with pytest.raises(ValidationError, match="offset"):
        Reading(at=datetime(2026, 6, 3), watts=1)  # noqa: DTZ001 - naive on purpose


INSTANTS = st.datetimes(min_value=datetime(2020, 1, 1), timezones=st.just(UTC))  # noqa: DTZ001 - hypothesis adds the zone
PERCENT = st.floats(0, 100)
TEXTS = st.text(max_size=40).filter(lambda text: text.isprintable())
MESSAGES = st.one_of(
    st.builds(Command, serial=st.integers(1), do=st.just("stop"), valid_until=INSTANTS, why=TEXTS),
    st.builds(
        Reading,
        at=INSTANTS,
        register_kwh=st.none() | st.floats(0, 1e8),
        watts=st.floats(-9e5, 9e5),
        amps=st.none() | st.floats(-99, 99),
    ),
    st.builds(VehicleReport, at=INSTANTS, pilot=st.sampled_from("ABCDEF"), soc_percent=PERCENT),
    st.builds(Request, soc_percent=PERCENT, by=st.none() | INSTANTS),
    st.builds(
        HomeLoad,
        at=INSTANTS,
        amps=st.sampled_from((1, 3)).flatmap(
            lambda count: st.lists(st.floats(-99, 99), min_size=count, max_size=count)
        ),
        includes_charge_points=st.booleans(),
    ),
    st.builds(
        Status,
        at=INSTANTS,
        stale_after=INSTANTS,
        charging=st.booleans(),
        soc_percent=st.none() | PERCENT,
        soc_from=st.sampled_from(["vehicle", "person", "counted", "assumed", None]),
        reading=st.none() | st.builds(Reading, at=INSTANTS, watts=st.floats(0, 9e5)),
    ),
    st.builds(Alert, code=st.just("no-power-after-start"), at=INSTANTS, message=TEXTS),
    st.builds(DaemonState, state=st.sampled_from(["online", "offline"]), at=INSTANTS),
)


@settings(deadline=None)
@given(message=MESSAGES)
def test_a_round_trip(message: Message) -> None:
    """Every message that can be made is the same after it was written and read."""
    payload = encode(message)
    assert decode(type(message), payload) == message
    assert json.loads(payload)["v"] == 1


@settings(deadline=None)
@given(payload=st.binary(max_size=200) | st.text(max_size=200).map(str.encode))
def test_noise(payload: bytes) -> None:
    """Whatever bytes come, reading them ends in a message or in MalformedMessage."""
    for model in (Reading, Request, PriceFeed, Command):
        try:
            assert isinstance(decode(model, payload), model)
        except MalformedMessage as refused:
            assert str(refused)  # noqa: PT017 - either outcome is right
