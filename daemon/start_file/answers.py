"""Turn answers into a household file, or find what is wrong with them.

The household file that they make is validated, so both are refused in the same words; each fault
is reported at the place of its answer.
"""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING, Any, NamedTuple

from pydantic import ValidationError

from config.fields.currencies import CURRENCIES
from config.fields.hints import nearest
from config.fields.key_problems import labelled
from config.fields.names import readable_topic_level
from config.files.translation import Translator
from config.files.yaml_scalars import NoValue
from config.household.household_file import HouseholdFile
from config.household.vehicle import CONSUMPTION_KEYS, EVERYDAY_LIMIT_PERCENT
from daemon.start_file.bands import bands_of
from daemon.start_file.questions import QUESTIONS

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from config.fields.key_problems import KeyPath
    from config.files.yaml_nodes import Flaw
    from config.files.yaml_tree import Tree
    from daemon.start_file.guess import Guess

POINT, VEHICLE = "outlet", "car"
"""Names of the charge point and the vehicle in the file."""

CONFIRMED = "confirmed"
UNASKED = ("in_the_clear", "anonymous", CONFIRMED)
"""Keys that are allowed but never asked for, because they let strangers in."""

CHOICES: Mapping[str, tuple[str, ...]] = {
    "tariff": ("cheap_hours", "one_rate", "price_series"),
    "weekend": ("same", "all", "none"),
    "third_days": ("every_day", "mon_to_fri"),
    "price_unit": ("per_kwh", "per_mwh"),
    "outlet": ("socket", "charge_point"),
    "consumption_unit": CONSUMPTION_KEYS,
    "beyond_need": ("cheap_hours", "any_price", "nothing"),
}
"""Answers that choose the form of the household file; they are not values in it."""

NONE = "none"
"""What a person may write for an empty list, or for no file."""

_MODES = {"socket": 2, "charge_point": 3}
_MULTIPLY = {"per_kwh": 1, "per_mwh": 0.001}
_TARIFF: KeyPath = ("tariffs", 0)
_PLACES: tuple[tuple[KeyPath, str], ...] = (
    (("household", "name"), "name"),
    (("household", "timezone"), "timezone"),
    (("household", "currency"), "currency"),
    (("household", "nominal_volts"), "volts"),
    ((*_TARIFF, "standing_charge"), "standing_charge"),
    ((*_TARIFF, "tax_percent"), "tax_percent"),
    ((*_TARIFF, "prices", "file"), "price_file"),
    ((*_TARIFF, "prices", "add"), "price_add"),
    (("charge_points", POINT, "max_amps"), "amps"),
    (("charge_points", POINT, "phases"), "phases"),
    (("charge_points", POINT, "switching"), "switching"),
    (("charge_points", POINT, "min_run_minutes"), "min_run_minutes"),
    (("charge_points", POINT, "min_rest_minutes"), "min_rest_minutes"),
    (("charge_points", POINT, "plugged_in"), "plugged_in"),
    (("vehicles", VEHICLE, "usable_kwh"), "battery_kwh"),
    (("vehicles", VEHICLE, "chemistry"), "chemistry"),
    (("vehicles", VEHICLE, "charging_efficiency_percent"), "charging_efficiency_percent"),
    (("vehicles", VEHICLE, "phases"), "phases"),
    (("vehicles", VEHICLE, "daily_distance_km"), "daily_distance_km"),
    (("vehicles", VEHICLE, "arrives_with_percent"), "arrives_with_percent"),
    (("departures", 0, "days"), "departure_days"),
    (("departures", 0, "at"), "departs_at"),
    (("departures", 0, "need_percent"), "need_percent"),
    (("departures", 0, "max_rate"), "max_rate"),
    (("bus", "broker"), "broker"),
    (("bus", "username"), "username"),
    (("bus", "password_file"), "password_file"),
    (("bus", "in_the_clear"), "in_the_clear"),
    (("bus", "anonymous"), "anonymous"),
)


def check_answers(tree: Tree, guess: Guess) -> tuple[HouseholdFile | None, tuple[Flaw, ...]]:
    """Make a household from answers, or list everything that is wrong with them.

    Parameters
    ----------
    tree : Tree
        Answers by their keys; a missing one has its default.
    guess : Guess
        Where the home may be.

    Returns
    -------
    tuple of HouseholdFile or None, and tuple of Flaw
        The household, or else the flaws with their places in the answers.
    """
    if isinstance(tree.data, NoValue) and not tree.flaws:
        return _household({}, tree, guess)
    if not isinstance(tree.data, dict):
        spot = tree.values[()]
        message = f"expected answers with their keys, such as name: My home; got {spot.shown}"
        return None, tuple(tree.flaws) or ((spot, message),)
    return _household(tree.data, tree, guess)


class Completed(NamedTuple):
    """Answers to all questions that apply.

    Attributes
    ----------
    answers : dict of str to object
        As given, or else the default, or else the question's example.
    missing : frozenset of str
        Keys of those that are examples.
    """

    answers: dict[str, object]
    missing: frozenset[str]


def completed(given: Mapping[str, object], guess: Guess) -> Completed:
    """Add defaults to answers, and drop answers to questions that do not apply."""
    full: dict[str, object] = {key: given[key] for key in UNASKED if key in given}
    shaped = {key: given[key] for key in CHOICES if given.get(key) in CHOICES[key]}
    missing = set()
    for question in QUESTIONS:
        if question.applies(full):
            known = shaped if question.key in CHOICES else given
            answer = known.get(question.key, question.default(full, guess))
            if answer is None:
                answer = question.example
                missing |= {question.key} - given.keys()
            empty = answer == NONE and question.kind in {"texts", "numbers"}
            full[question.key] = [] if empty else answer
    return Completed(full, frozenset(missing))


def doubts(given: Mapping[str, object], guess: Guess) -> dict[str, str]:
    """Return sentences that doubt implausible numbers, by the keys of the answers.

    Parameters
    ----------
    given : mapping of str to object
        The answers so far.
    guess : Guess
        Where the home may be.

    Returns
    -------
    dict of str to str
        Empty if all are plausible, or listed as confirmed.
    """
    full, confirmed = completed(given, guess).answers, given.get(CONFIRMED)
    sure = confirmed if isinstance(confirmed, list) else []
    sentences = {}
    for question in QUESTIONS:
        number = given.get(question.key)
        if isinstance(number, int | float) and not isinstance(number, bool):
            sentences[question.key] = question.doubt(Decimal(repr(number)), full)
    return {
        key: sentence
        for key, sentence in sentences.items()
        if sentence is not None and key not in sure
    }


def _household(
    given: Mapping[str, Any], tree: Tree, guess: Guess
) -> tuple[HouseholdFile | None, tuple[Flaw, ...]]:
    full, missing = completed(given, guess)
    flaws = [*tree.flaws, *_key_flaws(given, full, tree), *_choice_flaws(given, tree)]
    flaws += _missing_flaws(missing, tree)
    code = full["currency"]
    known = isinstance(code, str) and code in CURRENCIES and "currency" not in missing
    try:
        file = HouseholdFile.model_validate(_data(full))
    except ValidationError as error:
        words = {"currency": str(code) if known else "the bill's currency"}
        translator = Translator(tree, words, HouseholdFile, lambda path: _where(path, full))
        return None, tuple(dict.fromkeys((*flaws, *translator.errors(error))))
    return (None if flaws else file), tuple(flaws)


def _missing_flaws(missing: frozenset[str], tree: Tree) -> Iterator[Flaw]:
    for question in QUESTIONS:
        if question.key in missing:
            yield (
                tree.values[()],
                f'missing key "{question.key}"; expected the answer to: {question.asks}',
            )


def _key_flaws(
    given: Mapping[str, object], full: Mapping[str, object], tree: Tree
) -> Iterator[Flaw]:
    """Find answers to unknown questions, and to questions that do not apply."""
    questions = {question.key: question for question in QUESTIONS}
    for key in given:
        spot = tree.keys[(key,)]
        if key in questions and key not in full:
            yield spot, f"{key}: expected only with {questions[key].only_with}"
        elif key not in questions and key not in UNASKED:
            near = nearest(key, questions)
            hint = f'did you mean "{near}"?' if near else f"expected one of {', '.join(questions)}"
            yield spot, f"unknown key {spot.shown}; {hint}"


def _choice_flaws(given: Mapping[str, Any], tree: Tree) -> Iterator[Flaw]:
    for key, choices in CHOICES.items():
        if key in given and given[key] not in choices:
            spot = tree.values[(key,)]
            words = f"{', '.join(choices[:-1])} or {choices[-1]}"
            yield spot, labelled((key,), f"expected {words}, got {spot.shown}")
    if not isinstance(given.get(CONFIRMED, []), list):
        spot = tree.values[(CONFIRMED,)]
        yield spot, labelled((CONFIRMED,), f"expected a list of keys, got {spot.shown}")
    months = given.get("season_months")
    if isinstance(months, list) and all(month in months for month in range(1, 13)):
        spot = tree.values[("season_months",)]
        message = f"expected months that leave some others, got {spot.shown}"
        yield spot, labelled(("season_months",), message)


def _data(full: Mapping[str, object]) -> dict[str, Any]:
    """Put each answer in its place in a household file."""
    point = {"charging_mode": _MODES[str(full["outlet"])], "switching": "on_off"}
    topic = readable_topic_level(str(full["name"]))
    data: dict[str, Any] = {
        "household": {"topic": topic} if topic else {},
        "tariffs": [{"name": "From the bill"} | _prices(full)],
        "charge_points": {POINT: point},
        "vehicles": {VEHICLE: {"charge_point": POINT}},
        "departures": [{"vehicle": VEHICLE} | _beyond_need(full)],
        "bus": {},
        "ledger": {"path": "ledger.sqlite3"},
    }
    for path, key in _places(full):
        inner: Any = data
        for step in path[:-1]:
            inner = inner[step]
        inner[path[-1]] = full[key]
    return data


def _beyond_need(full: Mapping[str, object]) -> dict[str, object]:
    """Return what is wanted; with a highest rate alone, that is the everyday limit."""
    if full.get("beyond_need") != "any_price":
        return {}
    return {"want_percent": EVERYDAY_LIMIT_PERCENT[str(full["chemistry"])]}


def _prices(full: Mapping[str, object]) -> dict[str, Any]:
    if full["tariff"] == "price_series":
        return {"prices": {"multiply": _MULTIPLY[str(full["price_unit"])]}}
    return {"bands": [answered.band for answered in bands_of(full)]}


def _places(full: Mapping[str, object]) -> Iterator[tuple[KeyPath, str]]:
    """List the places in the household file of the answers that stand there as they are."""
    for path, key in _PLACES:
        if key in full and (key, full[key]) != ("price_file", NONE):
            yield path, key
    yield ("vehicles", VEHICLE, str(full["consumption_unit"])), "consumption"


def _where(path: KeyPath, full: Mapping[str, object]) -> KeyPath:
    """Return the place of the answer that went to a place in the household file."""
    if path == ("charge_points", POINT, "min_amps"):
        return ("amps",)
    for place, key in (*_places(full), *_band_places(full)):
        if path[: len(place)] == place:
            return (key, *path[len(place) :])
    return ()


def _band_places(full: Mapping[str, object]) -> Iterator[tuple[KeyPath, str]]:
    if full["tariff"] == "price_series":
        return
    for index, (_, answers) in enumerate(bands_of(full)):
        band = (*_TARIFF, "bands", index)
        yield from (((*band, key), answer) for key, answer in answers.items())
        yield band, answers.get("hours", answers["rate"])
