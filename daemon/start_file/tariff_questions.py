"""The questions of `start-file` about the tariff.

No rate has a default: nobody but the supplier knows it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.start_file.question import Answers, Question, always, by_currency, when
from planners.rates.tariff_cautions import (
    doubt_about_rate,
    doubt_about_standing_charge,
    doubt_about_tax,
)

if TYPE_CHECKING:
    from collections.abc import Callable

_BANDS = "tariff: one_rate or cheap_hours"
_THIRD = "third_hours"
_SEASON = "season_months"
_SEASON_THIRD = "season_third_hours"
_CHEAP = "tariff: cheap_hours"
_SERIES = "tariff: price_series"
_UNITS = "In units of the currency, as on the bill: 0.305, not 30.5 cents."
_is_cheap, _is_one, _is_series = (
    when("tariff", choice) for choice in ("cheap_hours", "one_rate", "price_series")
)


def has_entries(given: Answers, key: str) -> bool:
    """Tell whether a list that may be empty was asked for and has entries."""
    return given.get(key, []) != []


def _with(key: str, also: Callable[[Answers], bool]) -> Callable[[Answers], bool]:
    return lambda given: also(given) and has_entries(given, key)


def _rate(
    key: str, asks: str, example: float, applies: Callable[[Answers], bool], only_with: str
) -> Question:
    return Question(
        key,
        asks,
        _UNITS,
        always(None),
        "number",
        applies,
        only_with,
        example=example,
        doubt=by_currency(doubt_about_rate),
    )


TARIFF_QUESTIONS: tuple[Question, ...] = (
    Question(
        "tariff",
        "Does a kWh always cost the same (one_rate), less in certain hours (cheap_hours), or what"
        " a market says (price_series)?",
        "See the bill: two or more rates per kWh mean cheap hours. A price series has a price for"
        " each hour or half-hour of each day. If it has more than that, choose what is nearest: the"
        " file that is written names examples of other tariffs.",
        always("cheap_hours"),
    ),
    _rate("rate", "What does a kWh cost?", 0.3, _is_one, "tariff: one_rate"),
    Question(
        "cheap_hours",
        "Which hours are cheap?",
        "See the bill or the tariff's papers. Separate several with commas; they may run past"
        " midnight: 23:00-07:00.",
        always(None),
        "texts",
        _is_cheap,
        _CHEAP,
        example=["23:00-07:00"],
    ),
    _rate("cheap_rate", "What does a kWh cost in the cheap hours?", 0.15, _is_cheap, _CHEAP),
    _rate("other_rate", "What does a kWh cost in all other hours?", 0.3, _is_cheap, _CHEAP),
    Question(
        "weekend",
        "Which hours are cheap on Saturday and Sunday: the same (same), all (all), or none (none)?",
        "See the tariff's papers.",
        always("same"),
        applies=_is_cheap,
        only_with=_CHEAP,
    ),
    Question(
        _THIRD,
        "Which hours have a third rate, such as a peak?",
        "The hours, or none.",
        always([]),
        "texts",
        _is_cheap,
        _CHEAP,
    ),
    _rate(
        "third_rate", "What does a kWh cost in those hours?", 0.4, _with(_THIRD, _is_cheap), _THIRD
    ),
    Question(
        "third_days",
        "On which days do they have it: every_day, or mon_to_fri?",
        "See the tariff's papers.",
        always("every_day"),
        applies=_with(_THIRD, when("weekend", "same")),
        only_with=f"{_THIRD}, and weekend: same",
    ),
    Question(
        _SEASON,
        "Which months have other rates or hours, such as a winter?",
        "Their numbers, such as 11, 12, 1, 2; or none.",
        always([]),
        "numbers",
        lambda given: not _is_series(given),
        _BANDS,
    ),
    _rate(
        "season_rate",
        "What does a kWh cost in those months?",
        0.3,
        _with(_SEASON, _is_one),
        f"tariff: one_rate, and {_SEASON}",
    ),
    Question(
        "season_cheap_hours",
        "Which hours are cheap in those months?",
        "See the tariff's papers.",
        lambda given, _guess: given.get("cheap_hours"),
        "texts",
        _with(_SEASON, _is_cheap),
        _SEASON,
    ),
    _rate(
        "season_cheap_rate",
        "What does a kWh cost in the cheap hours of those months?",
        0.15,
        _with(_SEASON, _is_cheap),
        _SEASON,
    ),
    _rate(
        "season_other_rate",
        "What does a kWh cost in the other hours of those months?",
        0.3,
        _with(_SEASON, _is_cheap),
        _SEASON,
    ),
    Question(
        _SEASON_THIRD,
        "Which hours have a third rate in those months?",
        "The hours, or none.",
        lambda given, _guess: given.get(_THIRD, []),
        "texts",
        _with(_SEASON, _is_cheap),
        _SEASON,
    ),
    _rate(
        "season_third_rate",
        "What does a kWh cost in those hours of those months?",
        0.4,
        _with(_SEASON_THIRD, _is_cheap),
        _SEASON_THIRD,
    ),
    Question(
        "price_file",
        "In which CSV file are the prices?",
        "With the columns start and rate, and rows such as 2026-09-30T00:00:00+13:00,0.0961;"
        " relative to the household file. Or none, if they come over MQTT.",
        always("prices.csv"),
        applies=_is_series,
        only_with=_SERIES,
    ),
    Question(
        "price_unit",
        "Are the prices per kWh (per_kwh) or per MWh (per_mwh)?",
        "Markets often say per MWh: 96.1 per MWh is 0.0961 per kWh.",
        always(None),
        applies=_is_series,
        only_with=_SERIES,
        example="per_kwh",
    ),
    Question(
        "price_add",
        "What does the bill add to each price, per kWh?",
        "Network charges, levies and the supplier's part, before tax; 0 if nothing.",
        always(None),
        "number",
        _is_series,
        _SERIES,
        example=0.1,
        doubt=by_currency(doubt_about_rate),
    ),
    Question(
        "standing_charge",
        "What is the standing charge a day?",
        "In units of the currency; 0 if there is none. It is the same for every plan.",
        always(0),
        "number",
        doubt=by_currency(doubt_about_standing_charge),
    ),
    Question(
        "tax_percent",
        "How much tax is added to these rates, in percent?",
        "0 if the rates on the bill include tax.",
        always(0),
        "number",
        doubt=lambda number, _given: doubt_about_tax(number),
    ),
)
