"""Laws of `start-file`: accepted answers make a file that holds those answers.

`GOOD` are answers that must be accepted; `wild` may be good or bad.
"""

from __future__ import annotations

import json
import re
from datetime import time
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from config.calendar.day_kinds import WEEKDAYS
from config.fields.currencies import CURRENCIES
from config.fields.zones import known_zones
from config.files.yaml_tree import read_yaml
from config.household.household_file import HouseholdFile
from config.household.loading import load_household
from config.household.vehicle import CONSUMPTION_KEYS
from config.tariffs.band import Band
from config.tariffs.price_file import PriceFile
from config.tariffs.tariff import Tariff
from daemon.start_file.answers import check_answers, completed
from daemon.start_file.guess import Guess
from daemon.start_file.questions import QUESTIONS
from daemon.start_file.text import household_text, number_scalar

NO_GUESS = Guess()

clocks = st.builds("{:02d}:{:02d}".format, st.integers(0, 23), st.integers(0, 59))
hours = st.builds("{}-{}".format, clocks, clocks | st.just("24:00"))
nightly = st.builds("{:02d}:{:02d}".format, st.integers(0, 5), st.integers(0, 59))
night_hours = st.builds("{}-06:00".format, nightly) | st.builds("22:00-{}".format, nightly)
day_hours = st.builds("{:02d}:{:02d}-22:00".format, st.integers(7, 21), st.integers(0, 59))
rates = st.one_of(
    st.floats(-1e6, 1e6), st.integers(-1000, 1000), st.sampled_from([1e-7, 5e-324, -0.0, 1e-300])
)
NAMES = (
    ["Miro: the 'first'", "a # b", "- a", "yes", "no", "1e3", "~x", "{a}", "[a]", "&a b", "*a",
     "!a", "%a", "@a", "`a`", "\ufeffa", "Ruru \u016b", "a\\b", "a\\n", "a ", " a", "0x1f",
     "null a", "NULL", "07:30", "2026-04-01", "a\U0001f697", "a, b", "? a", "| a",
     "> a", "true", "a:", ": a"]
)  # fmt: skip
BAD_NAMES = ["", '"', "a\nb", "a\tb", "a\x07", "a\u2028b", "a\x85b", "a" * 65, "\u016b"]
printables = st.text(st.characters(exclude_categories=["C", "Zl", "Zp"]), max_size=60)
names = st.sampled_from(NAMES) | printables.map(lambda text: f"{text}a")
percents = st.floats(1, 100) | st.integers(0, 100)
GOOD: dict[str, st.SearchStrategy[object]] = {
    "name": names,
    "timezone": st.sampled_from(sorted(known_zones())),
    "currency": st.sampled_from(sorted(CURRENCIES)),
    "tariff": st.sampled_from(["one_rate", "cheap_hours", "price_series"]),
    "rate": rates,
    "cheap_hours": st.lists(night_hours, min_size=1, max_size=3),
    "cheap_rate": rates,
    "other_rate": rates,
    "weekend": st.sampled_from(["same", "all", "none"]),
    "third_hours": st.lists(day_hours, max_size=3),
    "third_rate": rates,
    "third_days": st.sampled_from(["every_day", "mon_to_fri"]),
    "season_months": st.lists(st.integers(1, 12), max_size=11, unique=True),
    "season_rate": rates,
    "season_cheap_hours": st.lists(night_hours, min_size=1, max_size=3),
    "season_cheap_rate": rates,
    "season_other_rate": rates,
    "season_third_hours": st.lists(day_hours, max_size=3),
    "season_third_rate": rates,
    "price_file": st.sampled_from(["none", "prices.csv", "a # b", "/etc/prices"]),
    "price_unit": st.sampled_from(["per_kwh", "per_mwh"]),
    "price_add": rates,
    "standing_charge": st.floats(0, 1000) | st.integers(0, 1000),
    "tax_percent": st.floats(0, 100),
    "outlet": st.sampled_from(["socket", "charge_point"]),
    "min_run_minutes": st.integers(0, 240),
    "min_rest_minutes": st.integers(0, 240),
    "charging_efficiency_percent": st.floats(50, 100),
    "amps": st.floats(6, 10) | st.integers(6, 10),
    "switching": st.sampled_from(["on_off", "current"]),
    "phases": st.integers(1, 3),
    "volts": st.floats(90, 300),
    "battery_kwh": st.floats(0.1, 1000),
    "chemistry": st.sampled_from(["nmc", "lfp"]),
    "consumption_unit": st.sampled_from(CONSUMPTION_KEYS),
    "consumption": st.floats(0.5, 100),
    "daily_distance_km": st.floats(0, 2000),
    "arrives_with_percent": percents,
    "departure_days": st.lists(st.sampled_from(WEEKDAYS), min_size=1, unique=True),
    "departs_at": clocks,
    "need_percent": percents,
    "beyond_need": st.sampled_from(["cheap_hours", "any_price", "nothing"]),
    "max_rate": rates,
    "plugged_in": hours,
    "broker": st.sampled_from(["mqtt://127.0.0.1:1884", "mqtts://shed.example", "embedded"]),
    "username": st.sampled_from(["miro", "a # b", "yes", 'a"b', "\u016b"]),
    "password_file": st.sampled_from(["secret", "a # b", "x: y", "/etc/a b", "\u016b/1"]),
}
wild = st.fixed_dictionaries(
    {},
    optional=GOOD
    | {
        "name": st.sampled_from(BAD_NAMES) | st.text(max_size=70),
        "amps": st.integers(1, 90),
        "battery_kwh": st.floats(-1, 1),
        "departure_days": st.lists(st.sampled_from(WEEKDAYS), max_size=7),
        "cheap_hours": st.lists(st.text(max_size=12), max_size=2),
        "username": st.text(max_size=20),
        "tariff": st.sampled_from(["one_rate", "cheap_hours", "both"]),
    },
)


def all_asked(answer: dict[str, object]) -> dict[str, object]:
    """Drop the answers to questions that do not apply, and add those that have no default."""
    full, missing = completed(answer, NO_GUESS)
    return {key: value for key, value in full.items() if key in answer.keys() | missing}


good = st.fixed_dictionaries({}, optional=GOOD).map(all_asked)


def answers_in(file: HouseholdFile) -> dict[str, Any]:
    """Read the answers back from a household, independently of the code under test."""
    [tariff], [point], [car] = (
        file.tariffs,
        [*file.charge_points.values()],
        [*file.vehicles.values()],
    )
    [leaves] = file.departures
    unit = next(key for key in CONSUMPTION_KEYS if getattr(car, key) is not None)
    more = "nothing" if leaves.max_rate is None else "cheap_hours"
    return {
        "name": file.household.name,
        "timezone": file.household.timezone,
        "currency": file.household.currency,
        **tariff_answers_in(tariff),
        "outlet": {2: "socket", 3: "charge_point"}[point.charging_mode],
        "min_run_minutes": point.min_run_minutes,
        "min_rest_minutes": point.min_rest_minutes,
        "charging_efficiency_percent": car.charging_efficiency_percent,
        "amps": point.max_amps,
        "switching": point.switching,
        "phases": point.phases,
        "volts": file.household.nominal_volts,
        "battery_kwh": car.usable_kwh,
        "chemistry": car.chemistry,
        "consumption_unit": unit,
        "consumption": getattr(car, unit),
        "daily_distance_km": car.daily_distance_km,
        "arrives_with_percent": car.arrives_with_percent,
        "departure_days": list(leaves.days or ()),
        "departs_at": f"{leaves.at:%H:%M}",
        "need_percent": leaves.need_percent,
        "beyond_need": "any_price" if leaves.want_percent else more,
        "max_rate": leaves.max_rate,
        "plugged_in": str(point.plugged_in),
        "broker": file.bus.broker,
        "username": file.bus.username,
        "password_file": file.bus.password_file,
    }


def tariff_answers_in(tariff: Tariff) -> dict[str, Any]:
    """Read the answers about the tariff back."""
    bands = tariff.bands or ()
    nothing = Band(name="none", rate=Decimal(0))

    def named(name: str, days: tuple[str, ...] | None = None) -> Band:
        found = [band for band in bands if band.name == name]
        return next((band for band in found if days is None or band.days == days), nothing)

    def hours_of(name: str) -> list[str]:
        return [str(each) for each in named(name).hours or ()]

    kind = "one_rate" if named("all hours") is not nothing else "cheap_hours"
    whole_weekend = named("cheap", WEEKDAYS[5:]) is not nothing
    season = next((band for band in bands if band.name.startswith("season")), nothing)
    prices = tariff.prices or PriceFile()
    return {
        "tariff": "price_series" if tariff.prices else kind,
        "rate": named("all hours").rate,
        "cheap_hours": hours_of("cheap"),
        "cheap_rate": named("cheap").rate,
        "other_rate": named("other").rate,
        "weekend": "all" if whole_weekend else "none" if named("cheap").days else "same",
        "third_hours": hours_of("third"),
        "third_rate": named("third").rate,
        "third_days": "mon_to_fri" if named("third").days else "every_day",
        "season_months": list(season.months or ()),
        "season_rate": named("season all hours").rate,
        "season_cheap_hours": hours_of("season cheap"),
        "season_cheap_rate": named("season cheap").rate,
        "season_other_rate": named("season other").rate,
        "season_third_hours": hours_of("season third"),
        "season_third_rate": named("season third").rate,
        "price_file": prices.file or "none",
        "price_unit": {Decimal(1): "per_kwh", Decimal("0.001"): "per_mwh"}[prices.multiply],
        "price_add": prices.add,
        "standing_charge": tariff.standing_charge,
        "tax_percent": tariff.tax_percent,
    }


def same(actual: object, expected: object, directory: Path) -> bool:
    if isinstance(actual, Decimal):
        return actual == Decimal(repr(expected))
    if isinstance(actual, Path):
        return actual == directory / str(expected)
    return actual == expected


@settings(max_examples=2 * settings().max_examples)
@given(good)
def test_accepted_answers_are_written_and_read_back(
    tmp_path_factory: pytest.TempPathFactory, answer: dict[str, Any]
) -> None:
    """Every answer is in the loaded file; the others have their defaults."""
    file, flaws = check_answers(read_yaml(json.dumps(answer, ensure_ascii=False)), NO_GUESS)
    assert file is not None, flaws
    assert not flaws
    path = tmp_path_factory.getbasetemp() / "law" / "house.yaml"
    path.parent.mkdir(exist_ok=True)
    path.write_text(household_text(file), "utf-8")
    actual = answers_in(load_household(path))
    for key, expected in answer.items():
        assert same(actual[key], expected, path.parent), (key, actual[key], expected)


@given(wild)
def test_answers_are_accepted_or_refused_with_their_places(answer: dict[str, Any]) -> None:
    """Never both; each flaw has a line and a column in the answers, and a message."""
    text = json.dumps(answer, ensure_ascii=False, indent=0)
    file, flaws = check_answers(read_yaml(text), NO_GUESS)
    assert (file is None) == bool(flaws)
    for spot, message in flaws:
        assert 1 <= spot.line <= text.count("\n") + 1
        assert spot.column >= 1
        assert message


@pytest.mark.parametrize("name", BAD_NAMES)
def test_a_bad_name_is_refused(name: str) -> None:
    """Control characters, an empty or a long name, or a name that makes no topic."""
    answer = all_asked({"name": name})
    _, flaws = check_answers(read_yaml(json.dumps(answer, ensure_ascii=True)), NO_GUESS)
    [(_, message)] = flaws
    assert message.startswith("name: expected a ")


@given(rates)
def test_a_number_reads_back_exactly(number: float) -> None:
    """As a Decimal and as a float, however small, in a form that YAML reads."""
    exact = Decimal(repr(number))
    read = read_yaml(f"[{number_scalar(exact)}, {number_scalar(float(number))}]").data
    assert isinstance(read, list)
    assert Decimal(repr(read[0])) == exact
    assert float(read[1]) == float(number)


def test_the_laws_cover_every_question() -> None:
    """So that none is left untested."""
    keys = {question.key for question in QUESTIONS}
    file, _ = check_answers(read_yaml(json.dumps(all_asked({}))), NO_GUESS)
    assert file is not None
    assert set(answers_in(file)) == keys == set(GOOD)
    assert file.departures[0].at == time(7, 30)
    for question in QUESTIONS:
        assert re.fullmatch(r"[A-Z].*\?", question.asks), question.key
        assert question.means.endswith("."), question.key
