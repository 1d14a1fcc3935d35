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

from config.fields.currencies import CURRENCIES
from config.fields.zones import known_zones
from config.files.yaml_tree import read_yaml
from config.household.household_file import HouseholdFile
from config.household.loading import load_household
from config.household.vehicle import CONSUMPTION_KEYS
from config.tariffs.tariff import WEEKDAYS
from daemon.start_file.answers import check_answers, completed
from daemon.start_file.guess import Guess
from daemon.start_file.questions import QUESTIONS
from daemon.start_file.text import household_text, number_scalar

NO_GUESS = Guess()

clocks = st.builds("{:02d}:{:02d}".format, st.integers(0, 23), st.integers(0, 59))
hours = st.builds("{}-{}".format, clocks, clocks | st.just("24:00"))
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
    "tariff": st.sampled_from(["one_rate", "cheap_hours"]),
    "rate": rates,
    "cheap_hours": st.lists(hours, min_size=1, max_size=3),
    "cheap_rate": rates,
    "other_rate": rates,
    "tax_percent": st.floats(0, 100),
    "outlet": st.sampled_from(["socket", "charge_point"]),
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


def without_unasked(answer: dict[str, object]) -> dict[str, object]:
    """Drop the answers to questions that do not apply."""
    full = completed(answer, NO_GUESS)
    return {key: value for key, value in answer.items() if key in full}


good = st.fixed_dictionaries({}, optional=GOOD).map(without_unasked)


def answers_in(file: HouseholdFile) -> dict[str, Any]:
    """Read the answers back from a household, independently of the code under test."""
    [tariff], [point], [car] = (
        file.tariffs,
        [*file.charge_points.values()],
        [*file.vehicles.values()],
    )
    [leaves], bands = file.departures, tariff.bands or ()
    unit = next(key for key in CONSUMPTION_KEYS if getattr(car, key) is not None)
    return {
        "name": file.household.name,
        "timezone": file.household.timezone,
        "currency": file.household.currency,
        "tariff": "one_rate" if len(bands) == 1 else "cheap_hours",
        "rate": bands[0].rate,
        "cheap_hours": [str(each) for each in bands[0].hours or ()],
        "cheap_rate": bands[0].rate,
        "other_rate": bands[-1].rate,
        "tax_percent": tariff.tax_percent,
        "outlet": {2: "socket", 3: "charge_point"}[point.charging_mode],
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
        "plugged_in": str(point.plugged_in),
        "broker": file.bus.broker,
        "username": file.bus.username,
        "password_file": file.bus.password_file,
    }


def same(actual: object, expected: object, directory: Path) -> bool:
    if isinstance(actual, Decimal):
        return actual == Decimal(repr(expected))
    if isinstance(actual, Path):
        return actual == directory / str(expected)
    return actual == expected


@settings(max_examples=80)
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
    _, flaws = check_answers(read_yaml(json.dumps({"name": name}, ensure_ascii=True)), NO_GUESS)
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
    file, _ = check_answers(read_yaml(""), NO_GUESS)
    assert file is not None
    assert set(answers_in(file)) == keys == set(GOOD)
    assert file.departures[0].at == time(7, 30)
    for question in QUESTIONS:
        assert re.fullmatch(r"[A-Z].*\?", question.asks), question.key
        assert question.means.endswith("."), question.key
