"""The questions of `start-file`, with their meaning and default answers.

A default may depend on earlier answers. The table knows neither terminal nor file.
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

Answers = Mapping[str, object]
"""Answers by their keys, as they were written; some of them may be bad."""

SOCKET_CAUTION = (
    f"A household socket carries at most {SOCKET_AMPS} A for hours, whatever is marked on it. Use"
    " no extension lead."
)
FIXED_CAUTION = (
    "A fixed charge point needs its own circuit, sized for continuous load and installed by an"
    " electrician."
)
WIRING_CAUTION = "Local wiring rules and a licensed electrician decide what may be connected."

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
        Key of its answer in a file of answers.
    asks, means : str
        The question; a line on what the answer means and where to find it.
    default : callable
        Makes the default answer from the answers so far.
    kind : str
        Type of the answer: a text, a number, or a list of texts.
    applies : callable
        Says whether to ask it, given the answers so far.
    only_with : str
        The same condition in words.
    cautions : tuple of str
        Safety warnings shown with the question.
    """

    key: str
    asks: str
    means: str
    default: Callable[[Answers, Guess], object]
    kind: Literal["text", "number", "list"] = "text"
    applies: Callable[[Answers], bool] = lambda _given: True
    only_with: str = ""
    cautions: tuple[str, ...] = ()


def _always(value: object) -> Callable[[Answers, Guess], object]:
    return lambda _given, _guess: value


def _when(key: str, value: str) -> Callable[[Answers], bool]:
    return lambda given: given.get(key) == value


def _signs_in(given: Answers) -> bool:
    """Tell whether the broker is on another machine and requires a name and password."""
    broker = given.get("broker")
    remote = isinstance(broker, str) and not _THIS_MACHINE.match(broker)
    return remote and given.get("anonymous") is not True


def _rate(units: float) -> Callable[[Answers, Guess], object]:
    """Return a default rate, in hundredths if the currency has any."""

    def default(given: Answers, _guess: Guess) -> object:
        code = given.get("currency")
        has_hundredths = not (isinstance(code, str) and code in CURRENCIES) or minor_units(code) > 0
        return units / 100 if has_hundredths else units

    return default


def _volts(given: Answers, guess: Guess) -> object:
    if guess.country not in _LOW_VOLTS:
        return 230
    return 120 if given.get("outlet") == "socket" else 240


def _plugged_in(given: Answers, _guess: Guess) -> object:
    leaves = given.get("departs_at")
    known = isinstance(leaves, str) and _CLOCK.fullmatch(leaves) is not None
    return f"18:00-{leaves if known else '07:30'}"


def _use(given: Answers, _guess: Guess) -> object:
    return _USUAL_USE.get(str(given.get("consumption_unit")), 17)


QUESTIONS: tuple[Question, ...] = (
    Question(
        "name",
        "What is the home called?",
        "The name appears in reports and in MQTT topics.",
        _always("My home"),
    ),
    Question(
        "timezone",
        "In which time zone is it?",
        "An IANA name such as Pacific/Auckland. The hours of the tariff follow its clock.",
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
        "See the bill: two or more rates per kWh mean cheap hours.",
        _always("cheap_hours"),
    ),
    Question(
        "rate",
        "What does a kWh cost?",
        "See the bill. In units of the currency: 0.305, not 30.5 cents.",
        _rate(30),
        "number",
        _when("tariff", "one_rate"),
        "tariff: one_rate",
    ),
    Question(
        "cheap_hours",
        "Which hours are cheap?",
        "See the bill or the tariff's papers. Separate several with commas; they may run past"
        " midnight.",
        _always(["23:00-07:00"]),
        "list",
        _when("tariff", "cheap_hours"),
        "tariff: cheap_hours",
    ),
    Question(
        "cheap_rate",
        "What does a kWh cost in the cheap hours?",
        "See the bill. In units of the currency: 0.168, not 16.8 cents.",
        _rate(15),
        "number",
        _when("tariff", "cheap_hours"),
        "tariff: cheap_hours",
    ),
    Question(
        "other_rate",
        "What does a kWh cost in all other hours?",
        "See the bill.",
        _rate(30),
        "number",
        _when("tariff", "cheap_hours"),
        "tariff: cheap_hours",
    ),
    Question(
        "tax_percent",
        "How much tax is added to these rates, in percent?",
        "0 if the rates on the bill include tax.",
        _always(0),
        "number",
    ),
    Question(
        "outlet",
        "Is the car charged from a household socket (socket) or fixed equipment (charge_point)?",
        "By IEC 61851, a socket with a box in the cable is mode 2, and fixed equipment mode 3.",
        _always("socket"),
        cautions=(SOCKET_CAUTION, FIXED_CAUTION, WIRING_CAUTION),
    ),
    Question(
        "amps",
        "How many amperes may it draw?",
        "See the type plate of the box in the cable or of the charge point. Amperes per phase.",
        lambda given, _guess: 16 if given.get("outlet") == "charge_point" else SOCKET_AMPS,
        "number",
    ),
    Question(
        "switching",
        "Can its current be set (current), or does a plug or relay switch it (on_off)?",
        "See its manual. A plug or relay must be rated for the continuous current.",
        _always("current"),
        applies=_when("outlet", "charge_point"),
        only_with="outlet: charge_point",
    ),
    Question(
        "phases",
        "On how many phases does it charge?",
        "See the type plate: 3 if it says 3~ and the car can use three, otherwise 1.",
        _always(1),
        "number",
        _when("outlet", "charge_point"),
        "outlet: charge_point",
    ),
    Question(
        "volts",
        "What is the voltage?",
        "Line to neutral: 230 in most countries. Where sockets have 120, fixed equipment has 240.",
        _volts,
        "number",
    ),
    Question(
        "battery_kwh",
        "How much energy does the battery hold, in kWh?",
        "The usable energy; see the car's manual.",
        _always(50),
        "number",
    ),
    Question(
        "chemistry",
        "Which chemistry does it have (nmc or lfp)?",
        "See the car's manual. Everyday limit: nmc 80 %, lfp 100 %. If in doubt: nmc.",
        _always("nmc"),
    ),
    Question(
        "consumption_unit",
        f"In which unit does the car show its consumption ({', '.join(_USUAL_USE)})?",
        "See the dashboard.",
        lambda _given, guess: "miles_per_kwh" if guess.country in _MILES else "kwh_per_100km",
    ),
    Question(
        "consumption",
        "What is the consumption in that unit?",
        "See the dashboard; the mean over some weeks.",
        _use,
        "number",
    ),
    Question(
        "daily_distance_km",
        "How far does the car go on a usual day, in km?",
        "Used as long as nothing better is known.",
        _always(40),
        "number",
    ),
    Question(
        "arrives_with_percent",
        "How full is the battery when it comes back, in percent?",
        "Used if the car does not report it; see the dashboard.",
        _always(40),
        "number",
    ),
    Question(
        "departure_days",
        "On which days does it leave?",
        "Such as mon, tue, wed. Separate several with commas.",
        _always(list(WEEKDAYS[:5])),
        "list",
    ),
    Question(
        "departs_at",
        "At what time does it leave?",
        "Local time, such as 07:20.",
        _always("07:30"),
    ),
    Question(
        "need_percent",
        "How full must the battery be then, in percent?",
        "Charged at any price. Charging continues to the everyday limit if that is higher.",
        _always(60),
        "number",
    ),
    Question(
        "plugged_in",
        "In which hours is the car plugged in?",
        "Needed because a plug or relay can't tell whether a car is there.",
        _plugged_in,
        applies=lambda given: given.get("outlet") == "socket" or given.get("switching") == "on_off",
        only_with="outlet: socket, or switching: on_off",
    ),
    Question(
        "broker",
        "Where is the MQTT broker?",
        "mqtt://127.0.0.1:1883 on this machine, mqtts://HOST elsewhere, or embedded for one inside"
        " the daemon, to try things out.",
        _always("mqtt://127.0.0.1:1883"),
    ),
    Question(
        "username",
        "What is the daemon's user name at the broker?",
        "The broker must have an account of that name.",
        _always("lullwatt"),
        applies=_signs_in,
        only_with="a broker on another machine that is not anonymous",
    ),
    Question(
        "password_file",
        "Which file holds the daemon's password?",
        "One line, readable by its owner only (chmod 600); relative to the household file.",
        _always("broker-password"),
        applies=_signs_in,
        only_with="a broker on another machine that is not anonymous",
    ),
)
