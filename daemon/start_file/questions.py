"""The questions of `start-file`, with their meaning and default answers.

A default may depend on earlier answers. The table knows neither terminal nor file.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from decimal import ROUND_CEILING, Decimal

from config.calendar.day_kinds import WEEKDAYS
from config.fields.distance import KM_PER_MILE
from config.fields.value_types import MOST_MONEY
from config.household.equipment import SOCKET_AMPS
from config.household.vehicle import EVERYDAY_LIMIT_PERCENT
from daemon.start_file.guess import Guess
from daemon.start_file.question import Answers, Question, always, by_currency, when
from daemon.start_file.tariff_questions import TARIFF_QUESTIONS
from planners.power.vehicle_cautions import doubt_about_battery, doubt_about_use
from planners.rates.tariff_cautions import doubt_about_rate

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
_SWITCHED = "outlet: socket, or switching: on_off"
_ANY_RATE = 0.2
_LOW_VOLTS = frozenset({"CA", "MX", "PR", "US"})
_MILES = frozenset({"GB", "PR", "US"})
_KWH_PER_KM: Mapping[str, Callable[[float], float]] = {
    "kwh_per_100km": lambda use: use / 100,
    "km_per_kwh": lambda use: 1 / use,
    "miles_per_kwh": lambda use: 1 / (use * KM_PER_MILE),
}
_USUAL_USE = {"kwh_per_100km": 17, "km_per_kwh": 6, "miles_per_kwh": 3.7}


def _signs_in(given: Answers) -> bool:
    """Tell whether the broker is on another machine and requires a name and password."""
    broker = given.get("broker")
    remote = isinstance(broker, str) and not _THIS_MACHINE.match(broker)
    return remote and given.get("anonymous") is not True


def _is_switched(given: Answers) -> bool:
    return given.get("outlet") == "socket" or given.get("switching") == "on_off"


def _volts(given: Answers, guess: Guess) -> object:
    if guess.country not in _LOW_VOLTS:
        return 230
    return 120 if given.get("outlet") == "socket" else 240


def _plugged_in(given: Answers, _guess: Guess) -> object:
    leaves = given.get("departs_at")
    known = isinstance(leaves, str) and _CLOCK.fullmatch(leaves) is not None
    return f"18:00-{leaves if known else '07:30'}"


def _is_below_limit(given: Answers) -> bool:
    need = given.get("need_percent")
    limit = EVERYDAY_LIMIT_PERCENT.get(str(given.get("chemistry")), 0.0)
    return isinstance(need, int | float) and need < limit


def _cheap_rate(given: Answers, _guess: Guess) -> object:
    """Return the highest of the cheap rates, with tax; None if there is none."""
    rates = [given[key] for key in ("cheap_rate", "season_cheap_rate") if key in given]
    numbers = [
        Decimal(repr(number))
        for number in (*rates, given.get("tax_percent"))
        if isinstance(number, int | float) and not isinstance(number, bool)
    ]
    if not rates:
        return None
    if len(numbers) <= len(rates):
        return _ANY_RATE  # the faulty answer is refused
    *before_tax, tax = numbers
    with_tax = max(before_tax) * (100 + tax) / 100
    # Rounded up, so that the cheap rate itself is never above it.
    return min(float(with_tax.quantize(Decimal("0.000001"), ROUND_CEILING)), MOST_MONEY)


def _use(given: Answers, _guess: Guess) -> object:
    return _USUAL_USE.get(str(given.get("consumption_unit")), 17)


def _is_positive(answer: object) -> bool:
    return isinstance(answer, int | float) and answer > 0


def _doubt_about_use(number: Decimal, given: Answers) -> str | None:
    return doubt_about_use(float(number), str(given["consumption_unit"]))


def _doubt_about_distance(number: Decimal, given: Answers) -> str | None:
    """Doubt a day's distance for which the battery is too small."""
    unit, use, battery = (given[key] for key in ("consumption_unit", "consumption", "battery_kwh"))
    if not isinstance(unit, str) or unit not in _KWH_PER_KM:
        return None
    if not _is_positive(use) or not _is_positive(battery):
        return None  # the faulty answer is refused
    kwh = Decimal(_KWH_PER_KM[unit](float(str(use)))) * number
    if kwh <= Decimal(str(battery)):
        return None
    return (
        f"{number.normalize():f} km take about {kwh:.0f} kWh, and the battery holds {battery} kWh."
    )


QUESTIONS: tuple[Question, ...] = (
    Question(
        "name",
        "What is the home called?",
        "The name appears in reports and in MQTT topics.",
        always("My home"),
    ),
    Question(
        "timezone",
        "In which time zone is it?",
        "An IANA name such as Pacific/Auckland. The hours of the tariff follow its clock.",
        lambda _given, guess: guess.timezone,
        example="Pacific/Auckland",
    ),
    Question(
        "currency",
        "In which currency is the bill?",
        "The three letters of ISO 4217, such as NZD.",
        lambda _given, guess: guess.currency,
        example="NZD",
    ),
    *TARIFF_QUESTIONS,
    Question(
        "outlet",
        "Is the car charged from a household socket (socket) or fixed equipment (charge_point)?",
        "By IEC 61851, a socket with a box in the cable is mode 2, and fixed equipment mode 3.",
        always("socket"),
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
        always("current"),
        applies=when("outlet", "charge_point"),
        only_with="outlet: charge_point",
    ),
    Question(
        "min_run_minutes",
        "How long must it stay on, once it is on, in minutes?",
        "A plug or relay lasts longer if it switches less often.",
        always(15),
        "number",
        _is_switched,
        _SWITCHED,
    ),
    Question(
        "min_rest_minutes",
        "How long must it stay off, once it is off, in minutes?",
        "0 if it may be switched on again at once.",
        always(5),
        "number",
        _is_switched,
        _SWITCHED,
    ),
    Question(
        "phases",
        "On how many phases does it charge?",
        "See the type plate: 3 if it says 3~ and the car can use three, otherwise 1.",
        always(1),
        "number",
        when("outlet", "charge_point"),
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
        always(50),
        "number",
        doubt=lambda number, _given: doubt_about_battery(float(number)),
    ),
    Question(
        "chemistry",
        "Which chemistry does it have (nmc or lfp)?",
        "See the car's manual. Everyday limit: nmc 80 %, lfp 100 %. If in doubt: nmc.",
        always("nmc"),
    ),
    Question(
        "charging_efficiency_percent",
        "How much of the energy from the meter reaches the battery, in percent?",
        "About 85 at a household socket, 90 at a charge point; less in the cold.",
        lambda given, _guess: 90 if given.get("outlet") == "charge_point" else 85,
        "number",
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
        doubt=_doubt_about_use,
    ),
    Question(
        "daily_distance_km",
        "How far does the car go on a usual day, in km?",
        "Used as long as nothing better is known.",
        always(40),
        "number",
        doubt=_doubt_about_distance,
    ),
    Question(
        "arrives_with_percent",
        "How full is the battery when it comes back, in percent?",
        "Used if the car does not report it; see the dashboard.",
        always(40),
        "number",
    ),
    Question(
        "departure_days",
        "On which days does it leave?",
        "Such as mon, tue, wed. Separate several with commas.",
        always(list(WEEKDAYS[:5])),
        "texts",
    ),
    Question(
        "departs_at",
        "At what time does it leave?",
        "Local time, such as 07:20.",
        always("07:30"),
    ),
    Question(
        "need_percent",
        "How full must the battery be then, in percent?",
        "Charged at any price.",
        always(60),
        "number",
    ),
    Question(
        "beyond_need",
        "And beyond that: only in cheap hours (cheap_hours), at any price (any_price), or not at"
        " all (nothing)?",
        "Up to the everyday limit: nmc 80 %, lfp 100 %.",
        lambda given, _guess: "cheap_hours" if given.get("tariff") == "cheap_hours" else "nothing",
        applies=_is_below_limit,
        only_with="a need_percent below the everyday limit (nmc 80, lfp 100)",
    ),
    Question(
        "max_rate",
        "Up to which rate per kWh?",
        "Tax included. Beyond the need it charges only where a kWh costs this or less.",
        _cheap_rate,
        "number",
        when("beyond_need", "cheap_hours"),
        "beyond_need: cheap_hours",
        example=_ANY_RATE,
        doubt=by_currency(doubt_about_rate),
    ),
    Question(
        "plugged_in",
        "In which hours is the car plugged in?",
        "Needed because a plug or relay can't tell whether a car is there.",
        _plugged_in,
        applies=_is_switched,
        only_with=_SWITCHED,
    ),
    Question(
        "broker",
        "Where is the MQTT broker?",
        "mqtt://127.0.0.1:1883 on this machine, mqtts://HOST elsewhere, or embedded for one inside"
        " the daemon, to try things out.",
        always("mqtt://127.0.0.1:1883"),
    ),
    Question(
        "username",
        "What is the daemon's user name at the broker?",
        "The broker must have an account of that name.",
        always("lullwatt"),
        applies=_signs_in,
        only_with="a broker on another machine that is not anonymous",
    ),
    Question(
        "password_file",
        "Which file holds the daemon's password?",
        "One line, readable by its owner only (chmod 600); relative to the household file.",
        always("broker-password"),
        applies=_signs_in,
        only_with="a broker on another machine that is not anonymous",
    ),
)
