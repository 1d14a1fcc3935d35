"""What the models say about a household, and that none contradicts itself."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import pytest
from pydantic import ValidationError

from config.doors.broker import Bus
from config.files.errors import FileError
from config.household.departure import Departure
from config.household.equipment import ChargePoint
from config.household.household_file import HouseholdFile
from config.household.vehicle import Vehicle
from tests.config.cottage import COTTAGE, edited, load_text

if TYPE_CHECKING:
    from pathlib import Path


def vehicle(**keys: Any) -> Vehicle:  # noqa: ANN401 - a test names keys of many types
    return Vehicle.model_validate({"charge_point": "driveway", "usable_kwh": 52, **keys})


@pytest.mark.parametrize(
    ("keys", "percent"),
    [
        ({}, 100),
        ({"chemistry": "nmc"}, 80),
        ({"chemistry": "lfp"}, 100),
        ({"chemistry": "lfp", "everyday_limit_percent": 70}, 70),
    ],
)
def test_everyday_limit(keys: dict[str, Any], percent: float) -> None:
    """The everyday limit is the one given, else the chemistry's, else none."""
    assert vehicle(**keys).limit_percent == percent


@pytest.mark.parametrize(
    ("miles_per_kwh", "kwh_per_100km"), [(3.0, 20.712), (3.5, 17.753), (4.0, 15.534)]
)
def test_miles(miles_per_kwh: float, kwh_per_100km: float) -> None:
    """Miles per kWh are read as computed from the mile of 1,609.344 m (ISO 31-1, annex)."""
    kwh_per_km = vehicle(miles_per_kwh=miles_per_kwh).kwh_per_km
    assert kwh_per_km == pytest.approx(kwh_per_100km / 100, abs=5e-6)


def test_consumption() -> None:
    """Each way to state a consumption gives the same kWh per km, and without one there is none."""
    assert vehicle(kwh_per_100km=16).kwh_per_km == pytest.approx(0.16)
    assert vehicle(km_per_kwh=6.25).kwh_per_km == pytest.approx(0.16)
    assert vehicle().kwh_per_km is None


@pytest.mark.parametrize(
    ("need_and_want", "wanted"),
    [
        ("need_percent: 60, want_percent: 75", 75),
        ("need_percent: 60", 60),
        ("need_percent: 60, max_rate: 0.20", 80),
        ("need_percent: 90, max_rate: 0.20", 90),
        ("need_percent: 90, want_percent: 100", 100),
    ],
)
def test_want(need_and_want: str, wanted: float, tmp_path: Path) -> None:
    """As given; else the need, or with a highest rate the everyday limit (80) if that is more."""
    file = load_text(tmp_path, edited({"need_percent: 60, want_percent: 80": need_and_want}))
    assert file.want_percent(file.departures[0]) == wanted


@pytest.mark.parametrize(
    ("trip", "used"),
    [
        ("", 45 * 0.165),
        (", uses_kwh: 12.5", 12.5),
        (", uses_km: 200", 200 * 0.165),
        (", uses_km: 0", 0.0),
    ],
)
def test_uses(trip: str, used: float, tmp_path: Path) -> None:
    """A trip uses what is given, else its distance at 16.5 kWh per 100 km, else a day's 45 km."""
    row = "{vehicle: hatchback, days: [mon, tue], at: 07:20"
    file = load_text(tmp_path, edited({row: row + trip}))
    assert file.uses_kwh(file.departures[0]) == pytest.approx(used)


def test_uses_unknown(tmp_path: Path) -> None:
    """Without a distance nobody knows what a trip uses, unless its energy is given."""
    text = edited({"    daily_distance_km: 45\n": "", "at: 07:20": "at: 07:20, uses_kwh: 9"})
    file = load_text(tmp_path, text)
    assert [file.uses_kwh(row) for row in file.departures] == [9, None]


def test_zone(tmp_path: Path) -> None:
    """The household's zone is the one it names."""
    assert load_text(tmp_path, COTTAGE).zone == ZoneInfo("Pacific/Auckland")


@pytest.mark.parametrize(
    ("broker", "parsed"),
    [
        ("mqtt://127.0.0.1:1883", ("127.0.0.1", 1883, False, False)),
        ("mqtt://hub.home.arpa", ("hub.home.arpa", 1883, False, False)),
        ("mqtts://hub", ("hub", 8883, True, False)),
        ("mqtts://[2001:db8::1]:8884", ("2001:db8::1", 8884, True, False)),
        ("mqtt://hub:1/", ("hub", 1, False, False)),
        ("embedded", ("127.0.0.1", 1883, False, True)),
    ],
)
def test_broker(broker: str, parsed: tuple[str, int, bool, bool]) -> None:
    """The broker's address is taken apart, with the registered ports where none is given."""
    meant = {
        "anonymous": "hub" in broker or "2001" in broker,
        "in_the_clear": "mqtt://hub" in broker,
    }
    bus = Bus.model_validate({"broker": broker} | meant)
    assert (bus.host, bus.port, bus.tls, bus.embedded) == parsed


@pytest.mark.parametrize(
    "broker",
    ["", "mqtt://", "mqtt://hub:0", "mqtt://hub:70000", "mqtt://hub/x", "MQTT://hub", "ws://hub"],
)
def test_no_broker(broker: str) -> None:
    """An address that leads nowhere is refused."""
    with pytest.raises(ValidationError, match="expected mqtt://HOST:PORT"):
        Bus(broker=broker)


@pytest.mark.parametrize(
    ("key", "value"),
    [("max_amps", "32"), ("phases", 1.0), ("phases", True), ("min_run_minutes", 2.5)],
)
def test_strict(key: str, value: object) -> None:
    """Nothing is converted: a number in quotes or a truth value is no number."""
    point = {"charging_mode": 3, "max_amps": 32, "switching": "current", key: value}
    with pytest.raises(ValidationError, match="expected"):
        ChargePoint.model_validate(point)


def test_frozen() -> None:
    """A model does not change once it is made."""
    bus = Bus(broker="embedded")
    with pytest.raises(ValidationError, match="frozen"):
        bus.root = "other"  # type: ignore[misc] # that it is refused is the point


def test_no_inconsistent_file(tmp_path: Path) -> None:
    """A `HouseholdFile` whose references lead nowhere can't be made in code either."""
    good = load_text(tmp_path, COTTAGE)
    parts = {key: getattr(good, key) for key in HouseholdFile.model_fields}
    with pytest.raises(ValidationError, match="expected a vehicle of this file"):
        HouseholdFile.model_validate({**parts, "vehicles": {"van": good.vehicles["hatchback"]}})


def test_the_level_in_topics(tmp_path: Path) -> None:
    """As the file says; without the key, made from the name as ever."""
    name = "name: Kowhai Cottage"
    plain = load_text(tmp_path, edited({name: 'name: "Haus Müller"'})).household
    assert plain.topic_level == "haus-m-ller"
    named = edited({name: 'name: "Haus Müller"\n  topic: haus-mueller'})
    assert load_text(tmp_path, named).household.topic_level == "haus-mueller"
    for wrong in ("Haus", "haus/mueller", "+", "-haus", "haus--mueller", "müller", "''", "7"):
        with pytest.raises(FileError, match="topic: expected one topic level of a-z, 0-9"):
            load_text(tmp_path, edited({name: f"{name}\n  topic: {wrong}"}))


def test_rates_stay_exact() -> None:
    """A rate written with many digits keeps them."""
    departure = Departure.model_validate(
        {"vehicle": "x", "days": ["mon"], "at": "07:00", "need_percent": 5, "max_rate": 0.1234567}
    )
    assert departure.max_rate == Decimal("0.1234567")


def test_readings_are_kept_for_two_months_at_the_least(tmp_path: Path) -> None:
    """Without the key, for ever; otherwise long enough for a month that tiers count."""
    line = "ledger: {path: ledger.sqlite3"
    for days in (62, 400):
        text = edited({line: f"{line}, keep_readings_days: {days}"})
        assert load_text(tmp_path, text).ledger.keep_readings_days == days
    assert load_text(tmp_path, COTTAGE).ledger.keep_readings_days is None
    for wrong in ("61", '"400"', "400.5"):
        text = edited({line: f"{line}, keep_readings_days: {wrong}"})
        with pytest.raises(FileError, match="a whole number of days from 62 to 36500"):
            load_text(tmp_path, text)
