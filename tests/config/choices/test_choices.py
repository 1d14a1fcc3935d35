"""A good choices file is read as it means, and each of its choices is a household."""

from __future__ import annotations

from datetime import UTC, date, datetime, time
from decimal import Decimal
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from config.calendar.day_kinds import WEEKDAYS
from config.choices.choices_file import POINT, VEHICLE, ChoicesFile
from config.choices.loading import load_choices
from config.choices.restated import restated
from config.fields.value_types import Hours
from config.files.errors import FileError
from config.files.price_series import PricePoint
from config.household.loading import load_household
from planners.power.allowed_currents import charge_model
from planners.power.cautions import cautions
from planners.rates.prices import prices_of
from tests.config.choices.cases import CHOICES, DATA, driving, edited, load_text
from tests.config.test_examples import CHOICES as EXAMPLE
from tests.config.test_examples import TWO_CAR_CHOICES

YEAR = "  distance_per_year: 24000 km\n"
NOON = datetime(2027, 7, 1, 0, 0, tzinfo=UTC)
"""Noon in Auckland, which is 12 hours ahead of UTC in winter."""


@pytest.fixture(scope="module")
def choices() -> ChoicesFile:
    return load_choices(DATA / "choices.yaml")


def test_values_as_written(choices: ChoicesFile) -> None:
    """Every kind of value arrives as the file says it."""
    assert (choices.appraisal.year, choices.appraisal.keep_years) == (2027, 8.0)
    assert choices.zone == ZoneInfo("Pacific/Auckland")
    assert choices.home_use[0].hours == Hours(start_minute=420, end_minute=1380)
    assert [use.kwh_per_day for use in choices.home_use] == [4.2, 2.0]
    fixed = choices.choices[1]
    assert (fixed.outlay, fixed.outlay_note) == (Decimal("2350.50"), "Quotation")
    assert (fixed.max_rate, fixed.need_percent) == (Decimal("0.20"), 65.0)
    series = choices.choices[2].tariff.prices
    assert series is not None
    assert series.file == DATA / "prices.csv"


def test_defaults(choices: ChoicesFile) -> None:
    """Keys that are optional have their defaults."""
    home, socket = choices.appraisal, choices.choices[0]
    assert (home.nominal_volts, home.tick_minutes) == (230.0, 5)
    assert home.prices_known_at == time(14)
    assert choices.choices[1].planner == "exact"
    assert (socket.outlay, socket.outlay_note) == (Decimal(0), None)
    assert (socket.want_percent, socket.max_rate) == (None, None)
    assert (choices.driving.margin_minutes, choices.driving.seed) == (15, 1)


def test_trips_as_written(choices: ChoicesFile) -> None:
    """A trip has its own times, or none, and its distance in km with the unit it was given in."""
    weekly, tuesday, single = choices.driving.trips
    assert weekly.days == ("mon", "wed")
    assert (weekly.leaves, weekly.returns) == (None, None)
    assert (tuesday.leaves, tuesday.distance.unit) == (time(6, 50), "mile")
    assert (single.date, single.returns) == (date(2027, 12, 24), time(23, 30))
    assert (single.distance.km, single.distance.unit) == (320.0, "km")


@pytest.mark.parametrize(
    ("text", "km", "unit"),
    [
        ("24000 km", 24_000, "km"),
        ("24000km", 24_000, "km"),
        ('"24000.5 km"', 24_000.5, "km"),
        # NIST Special Publication 811 (2008), appendix B.8: 1 mile is 1.609344 km, exactly.
        ("15000 miles", 24_140.16, "mile"),
        ("15000 mi", 24_140.16, "mile"),
        ("1 mile", 1.609344, "mile"),
    ],
)
def test_units_of_distance(text: str, km: float, unit: str, tmp_path: Path) -> None:
    """Kilometres and miles are distinguished, and a mile is the international one."""
    file = load_text(tmp_path, driving(f"  distance_per_year: {text}\n"))
    distance = file.driving.distance_per_year
    assert distance is not None
    assert distance.km == pytest.approx(km, rel=1e-12)
    assert distance.unit == unit


def test_distances_in_words(tmp_path: Path) -> None:
    """A distance is written in the unit in which it was given."""
    miles = load_text(tmp_path, driving("  distance_per_year: 15000 mi\n")).driving
    km = load_text(tmp_path, driving(YEAR)).driving
    assert str(miles.distance_per_year) == "15000 miles"
    assert str(km.distance_per_year) == "24000 km"


def test_a_distance_is_driven_every_day(tmp_path: Path) -> None:
    """Without days, the distance of a year is spread over all of them."""
    file = load_text(tmp_path, driving(YEAR))
    assert file.driving.days == WEEKDAYS
    assert (file.driving.trips, file.driving.draws) == ((), 0)


def test_a_ledger_needs_no_consumption(tmp_path: Path) -> None:
    """A record gives the energy that was used, so the vehicle's consumption may be missing."""
    text = driving("  ledger: {path: kept/l.sqlite3, vehicle: hatchback}\n")
    file = load_text(tmp_path, text.replace("  kwh_per_100km: 16.5\n", ""))
    assert file.driving.ledger is not None
    assert file.driving.ledger.path == tmp_path / "kept" / "l.sqlite3"
    assert file.driving.ledger.vehicle == "hatchback"


@pytest.mark.parametrize(
    "edits",
    [
        {"<trips and draws>": YEAR + "  days: [mon, fri]\n"},
        {
            "<trips and draws>": YEAR
            + "  spread_percent: 30\n  draws: 10000\n  seed: 123456789012\n"
        },
        {"<times>": '  leaves: "22:00"\n  returns: "06:00"\n', "<trips and draws>": YEAR},
        {"<times>": '  leaves: "07:20"\n  returns: "07:20"\n', "<trips and draws>": YEAR},
        {'leaves: "05:30", returns: "23:30"': 'leaves: "05:30", returns: "05:30"'},
        {'returns: "18:00"': 'returns: "06:50"'},
        {"<home use>": ""},
        {"<home use>": "home_use: []\n"},
        {"keep_years: 8": "keep_years: 2.5\n  prices_known_at: 13:00"},
        {"name: Socket": "name: 太陽"},
        {"max_amps: 10": "max_amps: 16\n      circuit_checked_by_electrician: true"},
        {"name: day, rate: 0.329": "name: day, rate: -0.01"},
        {
            "name: Night\n": "name: Night\n      tiers_per: month\n      usual_kwh: 300\n",
            "rate: 0.329": "tiers: [{rate: 0.2, up_to_kwh: 400}, {rate: 0.3}]",
        },
        {"year: 2027": "year: 2028", "2027-12-24": "2028-02-29"},
    ],
)
def test_unusual_but_good(edits: dict[str, str], tmp_path: Path) -> None:
    """What makes sense is not refused, and is kept."""
    assert load_text(tmp_path, edited(edits)) != load_text(tmp_path, CHOICES)


def test_a_trip_with_times_of_its_own_needs_no_others(tmp_path: Path) -> None:
    """Times under driving are optional if every trip has its own."""
    trip = '  trips: [{days: [mon], distance: 45 km, leaves: "07:00", returns: "17:00"}]\n'
    file = load_text(tmp_path, edited({"<times>": "", "<trips>": trip}))
    assert (file.driving.leaves, file.driving.returns) == (None, None)


def test_a_single_trip_takes_the_place_of_the_weekly_one(tmp_path: Path) -> None:
    """A weekly trip that would collide is no fault on a day when a single trip replaces it."""
    weekly = "    - {days: [thu], distance: 45 km, returns: 06:30}\n    - {days: [tue]"
    with pytest.raises(FileError, match=r"back before trips\[3\] leaves at 05:30"):
        load_text(tmp_path, edited({"    - {days: [tue]": weekly}))
    single = "    - {date: 2027-12-23, distance: 5 km}\n" + weekly
    file = load_text(tmp_path, edited({"    - {days: [tue]": single}))
    assert len(file.driving.trips) == 5


def test_households_have_prices(choices: ChoicesFile) -> None:
    """Each choice is a household whose rates are those of its tariff, tax included."""
    series = {"Series": [PricePoint(NOON, Decimal("0.10"))]}
    rates = [
        prices_of(choices.household_of(choice), series).rate_at(NOON).rate
        for choice in choices.choices
    ]
    # 0.329 + 15 % and 0.10 + 0.115.
    assert rates == [Decimal("0.288"), Decimal("0.37835"), Decimal("0.215")]


def test_households_have_electrics(choices: ChoicesFile) -> None:
    """Each choice is a household whose vehicle charges at that choice's current."""
    socket, fixed, _ = (choices.household_of(choice) for choice in choices.choices)
    # 10 A and 32 A at 230 V on one phase.
    assert charge_model(socket, VEHICLE).full_kw == pytest.approx(2.3)
    assert charge_model(fixed, VEHICLE).full_kw == pytest.approx(7.36)
    assert "household socket" in cautions(socket, POINT)[0]
    assert "electrician's work" in cautions(fixed, POINT)[0]


def test_households_are_of_the_same_home(choices: ChoicesFile) -> None:
    """What the file says of home and vehicle holds in the household of every choice."""
    for choice in choices.choices:
        house = choices.household_of(choice)
        assert house.zone == choices.zone
        assert house.household.name == "Kowhai Cottage"
        assert house.household.public_holidays == "NZ"
        assert list(house.charge_points.values()) == [choice.charge_point]
        assert house.vehicles[VEHICLE].kwh_per_km == choices.vehicle.kwh_per_km == 0.165
        assert house.departures == ()


def test_what_is_wanted(choices: ChoicesFile) -> None:
    """It is as given; else the need, or with a highest rate the everyday limit of nmc, 80 %."""
    socket, fixed, _ = choices.choices
    assert choices.want_percent(fixed) == 80.0
    assert choices.want_percent(socket) == socket.need_percent == 60.0
    limited = socket.model_copy(update={"max_rate": Decimal("0.20")})
    assert choices.want_percent(limited) == 80.0
    high = limited.model_copy(update={"need_percent": 90.0})
    assert choices.want_percent(high) == 90.0


def test_the_example() -> None:
    """The example that is shipped compares a socket and a charge point under two tariffs."""
    file = load_choices(EXAMPLE)
    assert file.appraisal.name == "Kowhai Cottage"
    distance = file.driving.distance_per_year
    assert distance is not None
    assert (distance.km, distance.unit) == (32_000, "km")
    pairs = {(each.tariff.name, each.charge_point.max_amps) for each in file.choices}
    assert pairs == {(name, amps) for name in ("One rate", "Cheap night") for amps in (10, 32)}
    assert file.choices[0].outlay == 0


def test_roofs_come_from_a_household_file(tmp_path: Path) -> None:
    """They are those of the household, with its trust; the weather is that of the choices file."""
    house = EXAMPLE.parent / "own-roof.yaml"
    weather = "  weather: {yearly_kwh_per_kwp: 1300}\n"
    text = edited({"choices:\n": f"generation:\n  household: {house}\n{weather}choices:\n"})
    file = load_text(tmp_path, text.replace("  draws: 200\n", ""))
    declared = load_household(house).generation
    assert file.generation is not None
    assert declared is not None
    assert (file.generation.roofs, file.generation.place) == (declared.roofs, declared.place)
    assert file.generation.weather.yearly_kwh_per_kwp == 1300
    assert file.household_of(file.choices[0]).generation == file.generation


def test_a_household_file_without_roofs_is_named(tmp_path: Path) -> None:
    """The fault is where the roofs are missing."""
    house = EXAMPLE.parent / "kowhai.yaml"
    weather = "  weather: {yearly_kwh_per_kwp: 1300}\n"
    text = edited({"choices:\n": f"generation:\n  household: {house}\n{weather}choices:\n"})
    with pytest.raises(FileError, match=r"kowhai\.yaml:1:1: expected generation with roofs, which"):
        load_text(tmp_path, text.replace("  draws: 200\n", ""))


def test_what_is_declared_is_restated() -> None:
    """The example, line by line: a reader can hold it against the offers."""
    said = dict(restated(load_choices(EXAMPLE)))
    assert list(said)[:5] == ["home", "money", "vehicle", "driving", "rest of the home"]
    assert said["driving"].startswith("32000 km a year on mon, tue, wed, thu and fri; away")
    assert said["money"].startswith("kept for 8 years; interest 4 % a year; price growth, energy")
    assert said["Charge point, cheap night"] == (
        "Cheap night (night 0.132 and day 0.358, 2.1 a day, tax 15 % on top); charge point of 32 A;"
        " in the cheapest hours; need 60 %, want 80 % at 0.2 or less; outlay 1850"
    )
    both = dict(restated(load_choices(TWO_CAR_CHOICES)))
    assert both["van"].startswith("60 kWh usable, 90 % efficiency, 23 kWh per 100 km; 14000 km")
    assert "rest of the home" not in both
