"""The questions whose answers make a household file: what each asks, means, and takes for granted.

A default may hang on the answers before it. The table knows no terminal and no file.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Literal

from config.fields.currencies import CURRENCIES, minor_units
from config.household.equipment import SOCKET_AMPS
from config.tariffs.tariff import WEEKDAYS
from daemon.start_file.guess import Guess

Given = Mapping[str, object]
"""Answers by their keys, as they were written; not all of them need be good."""

SOCKET_CAUTION = (
    f"A household socket is good for {SOCKET_AMPS} A or less for hours, whatever is marked on it;"
    " no extension leads."
)
FIXED_CAUTION = (
    "A fixed charge point has a circuit of its own, sized for continuous load: an electrician's"
    " work."
)
LAST_WORD = "Local wiring rules and a licensed electrician decide what may be connected."

_THIS_MACHINE = re.compile(r"embedded|mqtts?://(127\.|\[::1\]|([a-z0-9-]+\.)*localhost\b)")
_CLOCK = re.compile(r"([01]?[0-9]|2[0-3]):[0-5][0-9]", re.ASCII)
_LOW_VOLTS = frozenset({"CA", "MX", "PR", "US"})
_MILES = frozenset({"GB", "PR", "US"})
_USUAL_USE = {"kwh_per_100km": 17, "km_per_kwh": 6, "miles_per_kwh": 3.7}


@dataclass(frozen=True)
class Question:
    """One question.

    Attributes
    ----------
    key : str
        What its answer stands under in a file of answers.
    asks, means : str
        The question; a line on what the answer means and where to find it.
    default : callable
        Gives the answer taken where none is given.
    kind : str
        How an answer is typed: a text, a number, or a list of texts.
    applies : callable
        Whether it is asked, by the answers before it.
    only_with : str
        The same for people.
    cautions : tuple of str
        What to mind, told with the question.
    """

    key: str
    asks: str
    means: str
    default: Callable[[Given, Guess], object]
    kind: Literal["text", "number", "list"] = "text"
    applies: Callable[[Given], bool] = lambda _given: True
    only_with: str = ""
    cautions: tuple[str, ...] = ()


def _always(value: object) -> Callable[[Given, Guess], object]:
    return lambda _given, _guess: value


def _when(key: str, value: str) -> Callable[[Given], bool]:
    return lambda given: given.get(key) == value


def _signs_in(given: Given) -> bool:
    """Tell whether the broker is beyond this machine and wants to know who comes."""
    broker = given.get("broker")
    beyond = isinstance(broker, str) and not _THIS_MACHINE.match(broker)
    return beyond and given.get("anonymous") is not True


def _rate(units: float) -> Callable[[Given, Guess], object]:
    """Take a rate of a usual size: some hundredths of a currency that has hundredths."""

    def default(given: Given, _guess: Guess) -> object:
        code = given.get("currency")
        small = not (isinstance(code, str) and code in CURRENCIES) or minor_units(code) > 0
        return units / 100 if small else units

    return default


def _volts(given: Given, guess: Guess) -> object:
    if guess.country not in _LOW_VOLTS:
        return 230
    return 120 if given.get("outlet") == "socket" else 240


def _plugged_in(given: Given, _guess: Guess) -> object:
    leaves = given.get("departs_at")
    known = isinstance(leaves, str) and _CLOCK.fullmatch(leaves) is not None
    return f"18:00-{leaves if known else '07:30'}"


def _use(given: Given, _guess: Guess) -> object:
    return _USUAL_USE.get(str(given.get("consumption_unit")), 17)


QUESTIONS: tuple[Question, ...] = (
    Question(
        "name",
        "What is the home called?",
        "It stands in reports and in the topics of the bus.",
        _always("My home"),
    ),
    Question(
        "timezone",
        "In which time zone is it?",
        "An IANA name such as Pacific/Auckland; the tariff's hours go by its clock.",
        lambda _given, guess: guess.timezone or "Etc/UTC",
    ),
    Question(
        "currency",
        "In which currency is the bill?",
        "The three letters of ISO 4217, such as NZD.",
        lambda _given, guess: guess.currency or "EUR",
    ),
    Question(
        "tariff",
        "Does a kWh always cost the same (one_rate), or less in certain hours (cheap_hours)?",
        "It is on the bill; two or more rates per kWh mean cheap hours.",
        _always("cheap_hours"),
    ),
    Question(
        "rate",
        "What does a kWh cost?",
        "On the bill, in the currency per kWh: 0.305, not 30.5 cents.",
        _rate(30),
        "number",
        _when("tariff", "one_rate"),
        "tariff: one_rate",
    ),
    Question(
        "cheap_hours",
        "Which hours are the cheap ones?",
        "On the bill or in the tariff's papers; several are parted by commas, and may run past"
        " midnight.",
        _always(["23:00-07:00"]),
        "list",
        _when("tariff", "cheap_hours"),
        "tariff: cheap_hours",
    ),
    Question(
        "cheap_rate",
        "What does a kWh cost in them?",
        "On the bill, in the currency per kWh: 0.168, not 16.8 cents.",
        _rate(15),
        "number",
        _when("tariff", "cheap_hours"),
        "tariff: cheap_hours",
    ),
    Question(
        "other_rate",
        "What does a kWh cost in all other hours?",
        "On the bill, beside the other one.",
        _rate(30),
        "number",
        _when("tariff", "cheap_hours"),
        "tariff: cheap_hours",
    ),
    Question(
        "tax_percent",
        "How much tax comes on top of these rates, in percent?",
        "0 where the rates on the bill have their tax in them.",
        _always(0),
        "number",
    ),
    Question(
        "outlet",
        "Is the car charged from a household socket (socket) or fixed equipment (charge_point)?",
        "A socket with the box in the cable is charging mode 2 of IEC 61851, fixed equipment 3.",
        _always("socket"),
        cautions=(SOCKET_CAUTION, FIXED_CAUTION, LAST_WORD),
    ),
    Question(
        "amps",
        "How many amperes may it draw?",
        "On the type plate of the box in the cable, or of the charge point: A per phase.",
        lambda given, _guess: 16 if given.get("outlet") == "charge_point" else SOCKET_AMPS,
        "number",
    ),
    Question(
        "switching",
        "Can its current be set (current), or is it switched by a plug or relay (on_off)?",
        "In its papers. A plug or relay must be rated for the continuous current.",
        _always("current"),
        applies=_when("outlet", "charge_point"),
        only_with="outlet: charge_point",
    ),
    Question(
        "phases",
        "On how many phases does it charge?",
        "On the type plate: 1, or 3 where it says 3~ and the car takes three.",
        _always(1),
        "number",
        _when("outlet", "charge_point"),
        "outlet: charge_point",
    ),
    Question(
        "volts",
        "How many volts does it have?",
        "Line to neutral: 230 in most countries; where a socket has 120, fixed equipment has 240.",
        _volts,
        "number",
    ),
    Question(
        "battery_kwh",
        "How much energy does the battery hold, in kWh?",
        "The usable energy, in the car's papers.",
        _always(50),
        "number",
    ),
    Question(
        "chemistry",
        "Which chemistry has it (nmc or lfp)?",
        "In the car's papers; nmc is charged to 80 % on most days, lfp to 100 %. In doubt: nmc.",
        _always("nmc"),
    ),
    Question(
        "consumption_unit",
        f"In which unit is its consumption known ({', '.join(_USUAL_USE)})?",
        "As the dashboard shows it.",
        lambda _given, guess: "miles_per_kwh" if guess.country in _MILES else "kwh_per_100km",
    ),
    Question(
        "consumption",
        "How high is it?",
        "On the dashboard, over some weeks.",
        _use,
        "number",
    ),
    Question(
        "daily_distance_km",
        "How far does the car go on a usual day, in km?",
        "Taken where nothing better is known.",
        _always(40),
        "number",
    ),
    Question(
        "arrives_with_percent",
        "How full is the battery when it comes back, in percent?",
        "Taken where the car does not tell; the dashboard shows it.",
        _always(40),
        "number",
    ),
    Question(
        "departure_days",
        "On which days does it leave?",
        "Such as mon, tue, wed; several are parted by commas.",
        _always(list(WEEKDAYS[:5])),
        "list",
    ),
    Question(
        "departs_at",
        "At what time?",
        "Of the local clock, such as 07:20.",
        _always("07:30"),
    ),
    Question(
        "need_percent",
        "How full must the battery be then, in percent?",
        "Bought at any price. Charging goes on to the everyday limit where that is higher.",
        _always(60),
        "number",
    ),
    Question(
        "plugged_in",
        "In which hours is the car plugged in?",
        "A plug or relay can't tell whether a car is there.",
        _plugged_in,
        applies=lambda given: given.get("outlet") == "socket" or given.get("switching") == "on_off",
        only_with="outlet: socket, or switching: on_off",
    ),
    Question(
        "broker",
        "Where is the MQTT broker?",
        "mqtt://127.0.0.1:1883 on this machine, mqtts://HOST elsewhere, or embedded: one inside"
        " the daemon, for trying out.",
        _always("mqtt://127.0.0.1:1883"),
    ),
    Question(
        "username",
        "With which name does the daemon sign in?",
        "As the broker's accounts have it.",
        _always("lullwatt"),
        applies=_signs_in,
        only_with="a broker beyond this machine that is not anonymous",
    ),
    Question(
        "password_file",
        "Which file holds its password?",
        "One line, for its owner's eyes only (chmod 600); from the folder of the household file.",
        _always("broker-password"),
        applies=_signs_in,
        only_with="a broker beyond this machine that is not anonymous",
    ),
)
