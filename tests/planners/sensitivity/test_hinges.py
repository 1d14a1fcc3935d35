"""What an answer hangs on: each change alone is what an appraisal of the changed file says."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING, Any

import pytest

from planners.appraisal.appraising import appraised, compare
from planners.sensitivity.hinges import hinges_of
from tests.planners.appraised import cheap_night, choice, choices_file, flat, point, socket

if TYPE_CHECKING:
    from config.choices.choices_file import ChoicesFile
    from planners.appraisal.appraisal import Appraisal, Hinge


KM = 261 * 120 + 52 * 300.0
"""In 2027; the battery does not hold enough for Saturdays."""


def _km(distance: float, km: float) -> str:
    return f"{round(distance * km / KM, 6)} km"


def home(
    *,
    times: float = 1.0,
    outlay: float = 1.0,
    elsewhere: float = 1.0,
    km: float = KM,
    kwh_per_100km: float = 16.5,
    efficiency: float = 90.0,
    **appraisal: Any,  # noqa: ANN401 - keys of the file
) -> ChoicesFile:
    """Make a home whose answer is near to another choice, with a socket that is too slow."""

    def amount(value: float) -> Decimal:
        return Decimal(repr(round(value, 9)))

    def money(value: float) -> str:
        return str(amount(value * times))

    night = cheap_night(money(0.12), money(0.34), standing_charge=Decimal("0.9"))
    one = flat(money(0.28), standing_charge=Decimal("0.7"))
    return choices_file(
        choice("socket", one, charge_point=socket(), planner="at_once"),
        choice("point", night, charge_point=point(), outlay=amount(5900 * outlay)),
        choice("point, one rate", one, charge_point=point(), outlay=amount(5900 * outlay)),
        driving={
            "leaves": "07:20",
            "returns": "18:10",
            "trips": [
                {"days": ["mon", "tue", "wed", "thu", "fri"], "distance": _km(120, km)},
                {"days": ["sat"], "distance": _km(300, km)},
            ],
        },
        vehicle={"kwh_per_100km": kwh_per_100km, "charging_efficiency_percent": efficiency},
        home_use=[{"kwh_per_day": 6.0}],
        tick_minutes=60,
        elsewhere_rate=amount(0.5 * elsewhere),
        interest_percent=appraisal.pop("interest_percent", 4.0),
        price_growth={"energy_percent": appraisal.pop("energy_percent", 2.0)},
        keep_years=appraisal.pop("keep_years", 8.0),
    )


@pytest.fixture(scope="module")
def found() -> tuple[Appraisal, dict[str, Hinge]]:
    """Appraise the home once."""
    file = home()
    compared = compare(file, {})
    result = appraised(file, compared)
    return result, {each.what: each for each in hinges_of(file, {}, None, compared, result)}


CHANGES: dict[str, Any] = {
    "distance": lambda km: home(km=km),
    "consumption": lambda kwh: home(kwh_per_100km=kwh),
    "efficiency": lambda percent: home(efficiency=percent),
    "rates": lambda times: home(times=times),
    "energy_growth": lambda percent: home(energy_percent=percent),
    "interest": lambda percent: home(interest_percent=percent),
    "outlay": lambda times: home(outlay=times),
    "keep_years": lambda years: home(keep_years=float(years)),
    "elsewhere": lambda times: home(elsewhere=times),
}


def ranked(file: ChoicesFile) -> tuple[dict[str, float], str, dict[str, int]]:
    """Return each choice's total, the one that wins, and each one's nights short."""
    comparison = compare(file, {}, None, (1.0,)).comparison
    names = [case.choice.name for case in comparison.cases]
    ranking = comparison.ranking
    totals = dict(zip(names, ranking.totals[:, 0].tolist(), strict=True))
    short = dict(zip(names, ranking.nights_short[:, 0].tolist(), strict=True))
    return totals, names[comparison.best], short


@pytest.mark.parametrize("what", CHANGES)
def test_each_change_is_what_the_changed_file_says(
    what: str, found: tuple[Appraisal, dict[str, Hinge]]
) -> None:
    """The choice that wins, what it saves, and how far ahead today's answer is."""
    before, hinges = found
    for tried in (hinges[what].low, hinges[what].high):
        totals, cheapest, short = ranked(CHANGES[what](tried.value))
        assert tried.cheapest == cheapest
        assert tried.saves == pytest.approx(totals["socket"] - totals[cheapest], abs=0.02)
        answer = before.cheapest
        others = {each for each in totals if each != answer and short[each] <= short[answer]}
        ahead = min(totals[each] for each in others) - totals[answer]
        assert tried.ahead == pytest.approx(ahead, abs=0.02)


def test_another_choice_wins_just_beyond_a_break(
    found: tuple[Appraisal, dict[str, Hinge]],
) -> None:
    """On either side of it; those of driving are searched by the break-even of distance."""
    before, hinges = found
    breaks = {what: each for what, hinge in hinges.items() for each in hinge.breaks}
    assert set(breaks) >= {"distance", "consumption", "interest", "outlay", "keep_years"}
    for what in ("interest", "outlay", "keep_years", "rates"):
        at, rival = breaks[what].at, breaks[what].rival
        side = 1e-6 if at > hinges[what].now else -1e-6
        inside, beyond = (ranked(CHANGES[what](at + by))[1] for by in (-2 * side, side))
        assert (inside, beyond) == (before.cheapest, rival), what
    share = breaks["distance"].at / hinges["distance"].now
    assert breaks["consumption"].at == pytest.approx(16.5 * share)


def test_a_choice_alone_hangs_on_nothing() -> None:
    """There is nothing to compare it with."""
    file = choices_file(choice("one"))
    compared = compare(file, {})
    assert hinges_of(file, {}, None, compared, appraised(file, compared)) == ()
