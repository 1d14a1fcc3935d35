"""Appraisals made by hand, with invented figures that fit together."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from typing import Any

from config.fields.distance import KM_PER_MILE
from planners.appraisal.appraisal import (
    Appraisal,
    BandYear,
    BreakEven,
    BreakEvens,
    ChoiceYear,
    Hinge,
    HingeBreak,
    HingePoint,
    Spread,
)
from planners.worth.lifetime import Lifetime

SOCKET, SOCKET_NIGHT, POINT = (
    "Socket, one rate",
    "Socket, night tariff",
    "Charge point, night tariff",
)
KM = 20_000.0
YEARS = 8.0
KWH_PER_KM = 0.18
"""Metered energy [kWh per km]."""
STEPS = 13


def choice(name: str, cents: float, outlay: float, standing: float, **changes: Any) -> ChoiceYear:  # noqa: ANN401 - any field
    """Make a choice that buys all its energy at one rate [cents per kWh]."""
    kwh, rate = KM * KWH_PER_KM, cents / 100
    cost = kwh * rate
    made = ChoiceYear(
        name=name,
        tariff="Night rates" if "night" in name else "One rate",
        planner="exact",
        energy_kwh=kwh,
        cost=cost,
        by_band=(
            BandYear(
                "night" if "night" in name else "all hours", Decimal(f"{rate:.4f}"), kwh, cost
            ),
        ),
        standing_charge=400 + standing,
        standing_charge_difference=standing,
        home_cost_difference=0.0,
        year_cost=cost + standing,
        cost_per_kwh=rate,
        cost_per_km=cost / KM,
        cost_per_mile=cost / KM * KM_PER_MILE,
        cheapest_band_share=1.0,
        nights=241,
        nights_short=0,
        shortfall_kwh=0.0,
        worst_shortfall_kwh=0.0,
        charged_elsewhere_kwh=0.0,
        short_at_end_kwh=0.0,
        elsewhere_cost=None,
        ends_below_kwh=0.0,
        longest_day_km=118.0,
        cheap_hours_km=83.0,
        estimated_kwh=0.0,
        outlay=outlay,
        outlay_note="",
        total_over_years=outlay + YEARS * (cost + standing),
        saves_per_year=0.0,
        payback_years=0.0,
    )
    return replace(made, **changes)


def three() -> tuple[ChoiceYear, ...]:
    """Make the three drivers: a socket, a socket at night, a charge point at night."""
    first = choice(SOCKET, 31.05, 0, 0, cheap_hours_km=None)
    bands = (
        BandYear("night", Decimal("0.1380"), 1800.0, 248.4),
        BandYear("day", Decimal("0.3335"), 1800.0, 600.3),
    )
    second = choice(
        SOCKET_NIGHT, 23.575, 0, 36.5, by_band=bands, cheapest_band_share=0.5,
        nights_short=12, shortfall_kwh=31.25, worst_shortfall_kwh=6.4,
    )  # fmt: skip
    third = choice(
        POINT,
        13.8,
        1900,
        36.5,
        longest_day_km=402.0,
        cheap_hours_km=290.0,
        outlay_note="a charge point on a circuit of its own",
    )
    return first, *(_against(choice, first) for choice in (second, third))


def _against(choice: ChoiceYear, first: ChoiceYear) -> ChoiceYear:
    saves = first.year_cost - choice.year_cost
    more = choice.outlay - first.outlay
    payback = 0.0 if more <= 0 else more / saves if saves > 0 else None
    return replace(choice, saves_per_year=saves, payback_years=payback)


def total_at(choice: ChoiceYear, km: float) -> float:
    """Compute the total over the years at a yearly distance [currency]."""
    return choice.outlay + YEARS * (choice.year_cost + choice.cost * (km / KM - 1))


def appraisal(choices: tuple[ChoiceYear, ...] | None = None, **changes: Any) -> Appraisal:  # noqa: ANN401 - any field
    """Make an appraisal of some choices, by default of `three`."""
    choices = three() if choices is None else choices
    places = [KM * (0.1 + 3.9 * step / (STEPS - 1)) for step in range(STEPS)]
    made = Appraisal(
        name="Kowhai Cottage",
        timezone="Pacific/Auckland",
        currency="NZD",
        year=2026,
        lifetime=Lifetime(YEARS),
        elsewhere_rate=None,
        distance_km=KM,
        distance_unit="km",
        trips_kwh=3240.0,
        trips=241,
        draws=0,
        seed=1,
        spread_percent=0.0,
        choices=choices,
        cheapest=min(choices, key=lambda choice: choice.total_over_years).name,
        break_even=evens() if len(choices) > 1 else None,
        curve=tuple((km, tuple(total_at(choice, km) for choice in choices)) for km in places),
        assumptions=(
            "The vehicle leaves at 07:20 and is back at 17:45.",
            "15 % of tax are in all rates.",
        ),
        cautions=(
            "A socket carries this load only if an electrician has checked its circuit.",
            "Prices and offers change.",
        ),
    )
    return replace(made, **changes)


def evens(**changes: Any) -> BreakEvens:  # noqa: ANN401 - any field
    """Make the changes of the answer, where the choices of `three` cross."""
    made = BreakEvens(
        distance_per_year=(BreakEven(KM, 13_498.2, SOCKET_NIGHT),),
        rate=BreakEven(0.138, 0.2016, SOCKET_NIGHT),
        rate_band="night",
        outlay=BreakEven(1900.0, 2815.2, SOCKET_NIGHT),
    )
    return replace(made, **changes)


def hinges() -> tuple[Hinge, ...]:
    """Make what the answer of `three` hangs on: two inputs with a break, and two without."""

    def hinge(
        what: str,
        now: float,
        low: float,
        high: float,
        ahead: tuple[float, float],
        *at: float,
    ) -> Hinge:
        cheapest = [POINT if each > 0 else SOCKET_NIGHT for each in ahead]
        one, other = (
            HingePoint(value, name, 2776.0, each)
            for value, name, each in zip((low, high), cheapest, ahead, strict=True)
        )
        breaks = tuple(HingeBreak(each, SOCKET_NIGHT) for each in at)
        return Hinge(what, now, one, other, 0.0, 20.0, breaks)

    return (
        hinge("distance", KM, 15_000, 25_000, (211.0, 1622.0), 13_498.2),
        hinge("consumption", 16.2, 13.8, 18.6, (493.0, 1340.0)),
        hinge("rates", 1.0, 0.8, 1.2, (-20.0, 1300.0), 0.86),
        hinge("interest", 0.0, 0.0, 2.0, (916.0, 730.0)),
        hinge("keep_years", 8.0, 4.0, 12.0, (-492.0, 2324.0), 5.39),
    )


def many(count: int = 8, *, draws: int = 1000) -> Appraisal:
    """Make an appraisal of many choices with long names, with ranges."""
    names = [f"{POINT} of {place + 10} o'clock, kept by a neighbour" for place in range(count)]
    choices = tuple(
        choice(name, 31 - 2 * place, 400 * place, 3 * place, cheapest_in=draws // count)
        for place, name in enumerate(names)
    )
    choices = tuple(ranged(_against(choice, choices[0])) for choice in choices)
    even = evens(
        distance_per_year=(BreakEven(KM, 5_000.0, names[0]), BreakEven(KM, 61_000.0, names[-1])),
        outlay=BreakEven(choices[-1].outlay, None, None),
    )
    return appraisal(choices, draws=draws, seed=7, spread_percent=15.0, break_even=even)


def ranged(choice: ChoiceYear, share: float = 0.04) -> ChoiceYear:
    """Give a choice ranges around its figures."""
    keys = ("energy_kwh", "cost", "year_cost", "total_over_years", "saves_per_year", "cost_per_km")
    values = {key: getattr(choice, key) for key in keys}
    spreads = {
        key: Spread(at - share * abs(at), at + share * abs(at)) for key, at in values.items()
    }
    return replace(choice, spreads=spreads)
