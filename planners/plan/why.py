"""Explain in sentences why a plan charges when it does."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from math import ceil
from typing import TYPE_CHECKING

import numpy as np

from config.calendar.words import listed
from config.fields.value_types import WATT_HOURS_PER_KWH
from config.household.household_file import WATTS_PER_KW
from planners.accounts.money import format_money
from planners.capacity.words import kept_sentences
from planners.local_time.conversion import MINUTE, clock_text, minute_of
from planners.plan.plan import NOTICED_PERCENT
from planners.plan.window import HOUR
from planners.power.allowed_currents import own_amps
from planners.power.cautions import PORTABLE, is_beyond_socket
from planners.power.charging import NEED_TOLERANCE_PERCENT
from planners.power.circuits import powered_in_words
from planners.power.home_load import home_load, is_learned
from planners.power.phases import limits_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from datetime import datetime
    from decimal import Decimal
    from zoneinfo import ZoneInfo

    from config.household.equipment import ChargePoint
    from config.household.household_file import Hours, HouseholdFile
    from planners.capacity.tonight import KeptPower
    from planners.local_time.departures import DepartureAt
    from planners.plan.alternatives import Alternatives
    from planners.plan.plan import Plan
    from planners.plan.window import Window

LEAST_SHOWN_KWH = 0.05
"""Less energy of the roofs than this is not mentioned [kWh]."""

SAME_RATE = 5e-5
"""A rate below this prints as nothing [currency per kWh]."""

PRINTS_ALIKE_KWH = 0.005
"""Energies that differ by less print alike [kWh]."""

ESTIMATED = " (estimated)"
SERIES = "price"
"""Stands in the band's place for a price series; means nothing to a reader."""

DAY = timedelta(days=1)

USUAL_AMPS = 32
"""Most charge points in homes give no more than this [A per phase]."""


@dataclass(frozen=True, slots=True)
class CarbonShift:
    """How a plan that counts carbon differs from the cheapest one without.

    All figures are those of the time before the next departure.

    Attributes
    ----------
    moved, moved_later : bool
        Whether it charges at other times, or another amount: before the next departure, and in the
        nights after it.
    more_money, less_kg, less_kwh : float
        What it costs more [currency], causes less [kg CO2e] and buys less [kWh].
    """

    moved: bool
    moved_later: bool
    more_money: float
    less_kg: float
    less_kwh: float


def why(
    plan: Plan,
    window: Window,
    file: HouseholdFile,
    departure: DepartureAt,
    alternatives: Alternatives | None,
    *,
    hours: Hours | None = None,
    prepares_for: DepartureAt | None = None,
    given_up: timedelta = timedelta(0),
    for_later: bool = False,
    kept: KeptPower | None = None,
    is_cut: bool = False,
    carbon: CarbonShift | None = None,
    met_by: datetime | None = None,
) -> tuple[str, ...]:
    """Explain in plain sentences why a plan charges when it does.

    Parameters
    ----------
    plan : Plan
        The plan.
    window : Window
        The slots and rates from which the plan was chosen.
    file : HouseholdFile
        The household, for the reader's time zone and what the charge point is.
    departure : DepartureAt
        The next departure.
    alternatives : Alternatives or None
        Costs of other choices; None if nothing is charged.
    hours : Hours or None
        The hours in which the vehicle counts as plugged in; None if they leave all of the time.
    prepares_for : DepartureAt or None
        The later departure whose need this night helps to meet, if one does.
    given_up : timedelta
        The margin before the departure that was given up, as the need is out of reach.
    for_later : bool
        Whether it was given up for the need of a later departure.
    kept : KeptPower or None
        The power that a capacity charge keeps the plan to, if it does.
    is_cut : bool
        Whether the circuit has no power in some of the time.
    carbon : CarbonShift or None
        What counting carbon changes; None unless the plan does.
    met_by : datetime or None
        When the need must be met, as past that it would wait for the sun alone; UTC.

    Returns
    -------
    tuple of str
        Whole sentences, the most important first.
    """
    zone, point = file.zone, file.charge_points[plan.charge_point]
    return (
        *_hours_used(plan, zone),
        *_sources(plan, window, file, met_by),
        *(_carbon(plan, window, carbon, file) if carbon else ()),
        *(_kept(plan, kept, point) if kept else ()),
        *(_beyond_need(plan, alternatives) if alternatives else ()),
        *_hours_plugged_in(plan, hours),
        *(_hours_powered(plan, file) if is_cut else ()),
        *_hours_avoided(plan, window),
        *_learned_load(plan, window, file),
        *_baselines(plan),
        *(_alternatives(plan, alternatives, point, zone) if alternatives else ()),
        *_later_needs(plan, prepares_for, alternatives, zone),
        *_gap(plan, window, zone),
        *_left_out(plan, window, departure.max_rate, point, is_kept=kept is not None),
        *_margin(plan, departure),
        *_given_up(plan, departure, given_up, for_later=for_later),
        *_shortfall(plan, point, zone),
        *_estimates(plan, zone),
        *_usage_tiers(window),
    )


def _sources(
    plan: Plan, window: Window, file: HouseholdFile, met_by: datetime | None
) -> Iterator[str]:
    """Say what the home's own roofs are counted on for, or why they are not."""
    is_behind_it = plan.charge_point in file.points_on_home_meter
    if file.generation is None or not is_behind_it or not plan.periods:
        return
    if met_by is not None:
        until = _clock(met_by, file.zone, "%a %H:%M")
        yield (
            f"The need does not wait for the sun past {until}: the grid's cheaper hours end there."
        )
    roof_kwh, trust = plan.roof_kwh, file.generation.trust_percent
    if roof_kwh >= LEAST_SHOWN_KWH:
        paid = plan.roof_cost / roof_kwh
        forgone = f"at {paid:.4f}, which export would have paid"
        if abs(paid) < SAME_RATE:
            forgone = "which export would not have paid for"
        grid_kwh = plan.energy_kwh - roof_kwh
        if grid_kwh >= LEAST_SHOWN_KWH:
            rate = (plan.cost - plan.roof_cost) / grid_kwh
            of_grid = f"{grid_kwh:.1f} kWh from the grid at {rate:.4f}"
            yield f"{roof_kwh:.1f} kWh come from the roof {forgone}; {of_grid}."
        else:
            yield f"All of it comes from the roof {forgone}."
        yield from _phases(plan)
        yield (
            f"The plan counts on {trust:g} % of what is expected of the sun (trust_percent)."
            " Unless a grid meter is followed, what it does not give comes from the grid."
        )
        return
    left_kwh = sum(slot.surplus_kw * slot.hours for slot in window.slots if slot.amps > 0)
    if left_kwh < LEAST_SHOWN_KWH:
        yield "The roof is not expected to leave anything over before the departure."
    elif met_by is None:
        yield (
            f"The roof may leave {left_kwh:.1f} kWh over before the departure, but other hours cost"
            f" less{_with_carbon(plan)}."
        )


def _phases(plan: Plan) -> Iterator[str]:
    on_one = [period.one_phase_amps is not None for period in plan.periods]
    if any(on_one):
        when = "It charges on one phase" if all(on_one) else "It charges on one phase at times"
        yield f"{when}: the roof leaves too little for all of them."


def _carbon(plan: Plan, window: Window, shift: CarbonShift, file: HouseholdFile) -> Iterator[str]:
    """Say what carbon the plan causes, and whether its price moved the charge."""
    price = file.carbon.price_per_tonne if file.carbon else 0.0
    counted = f"Carbon at {_money(price, plan)} a tonne ({plan.carbon_kind})"
    amount = f"It causes {plan.carbon_kg:.1f} kg CO2e"
    if not shift.moved:
        where = (
            "before this departure, only in later nights" if shift.moved_later else "in the plan"
        )
        yield f"{counted} changes nothing {where}. {amount}."
    else:
        for_less = ""
        if abs(shift.less_kwh) >= LEAST_SHOWN_KWH:
            less = "less" if shift.less_kwh > 0 else "more"
            for_less = f", for {abs(shift.less_kwh):.1f} kWh {less}"
        costs = _compared(shift.more_money, plan)
        money = "costs the same as" if costs == "the same" else f"costs {costs} than"
        way = "less" if shift.less_kg >= 0 else "more"
        yield (
            f"{counted} moved the charge: it {money} in the cheapest hours and causes"
            f" {abs(shift.less_kg):.1f} kg CO2e {way}{for_less}. {amount}."
        )
    if any(slot.carbon.estimated and plan.period_at(slot.start) for slot in window.slots):
        yield (
            "Its carbon rests on estimates: where no intensity is known, the mean of the same"
            " half-hour of other days counts."
        )


def _with_carbon(plan: Plan) -> str:
    """Say that costs which are compared have carbon in them, if they do."""
    return ", carbon counted" if plan.carbon_kind else ""


def _kept(plan: Plan, kept: KeptPower, point: ChargePoint) -> Iterator[str]:
    if plan.periods:
        highest = max(period.amps for period in plan.periods)
        is_set = point.switching == "current"
        yield from kept_sentences(kept, highest, plan.currency, is_set=is_set)


USUAL_AMPS = 32
"""Most charge points in homes give no more than this [A per phase]."""


def why_at_once(plan: Plan, cheapest: Plan, file: HouseholdFile) -> tuple[str, ...]:
    """Explain a plan to charge at once, which a person asked for.

    Parameters
    ----------
    plan : Plan
        The plan.
    cheapest : Plan
        The plan that it replaces.
    file : HouseholdFile
        The household.

    Returns
    -------
    tuple of str
        Whole sentences, the most important first.
    """
    zone, point = file.zone, file.charge_points[plan.charge_point]
    if not plan.periods:
        return tuple(_hours_used(plan, zone))
    return (
        *_hours_used(plan, zone),
        f"A person asked to charge at once. {in_the_cheapest_hours(plan, cheapest)}",
        *_shortfall(plan, point, zone),
        *_estimates(plan, zone),
    )


def in_the_cheapest_hours(plan: Plan, cheapest: Plan) -> str:
    """Say what the cheapest plan is instead of one to charge at once, in a sentence."""
    amount = f"{cheapest.energy_kwh:.2f} kWh for {_money(cheapest.cost, plan)}"
    extra = cheapest.energy_kwh - plan.energy_kwh
    if abs(extra) > PRINTS_ALIKE_KWH:
        amount += f", {abs(extra):.2f} kWh {'more' if extra > 0 else 'less'}"
    counted = f"{_with_carbon(cheapest)}," if cheapest.carbon_kind else ""
    return f"In the cheapest hours{counted} it would be {amount}."


def _clock(instant: datetime, zone: ZoneInfo, form: str = "%H:%M") -> str:
    return clock_text(instant, zone, form)


def _bands(names: Iterable[str]) -> str:
    listable = tuple(dict.fromkeys(name for name in names if name != SERIES))
    return listed(listable) if listable else ""


def _money(amount: float, plan: Plan) -> str:
    return format_money(amount, plan.currency)


def _hours_used(plan: Plan, zone: ZoneInfo) -> Iterator[str]:
    if not plan.periods:
        if plan.soc_percent >= plan.want_percent:
            yield (
                f"The battery holds {plan.soc_percent:.0f} %, and {plan.want_percent:.0f} % is"
                " all that is wanted: nothing to charge."
            )
        return
    first, last = plan.periods[0].start, plan.periods[-1].end
    form = "%H:%M" if plan.departure - plan.made_at <= DAY else "%a %d %b %H:%M"
    paid = plan.cost / plan.energy_kwh
    bands = _bands(period.band for period in plan.periods)
    rates = {f"{period.cost / period.kwh:.4f}" for period in plan.periods}
    mean = " on average" if len(rates) > 1 else ""
    yield (
        f"Charges {plan.energy_kwh:.1f} kWh between {_clock(first, zone, form)} and"
        f" {_clock(last, zone, form)}{f' ({bands})' if bands else ''} at {paid:.4f}"
        f" {plan.currency} per kWh{mean}."
    )


def _beyond_need(plan: Plan, other: Alternatives) -> Iterator[str]:
    if other.beyond_need is None:
        return
    need, money = f"the need of {plan.need_percent:.0f} %", _money(abs(other.beyond_need), plan)
    if plan.soc_percent >= plan.need_percent:
        yield f"All of this is beyond {need}."
    elif money == _money(0, plan) or not _is_beyond_need(plan):
        return
    elif other.beyond_need < 0:
        yield f"What is charged beyond {need} lowers the cost by {money}."
    elif other.beyond_need > plan.cost:  # the need alone is paid for, at rates below zero
        yield f"What is charged beyond {need} costs {money}."
    else:
        yield f"{money} of this is beyond {need}."


def _is_beyond_need(plan: Plan) -> bool:
    """Whether the plan, cut to the second, charges further than the need."""
    return plan.reaches_percent - plan.need_percent >= NOTICED_PERCENT


def _learned_load(plan: Plan, window: Window, file: HouseholdFile) -> Iterator[str]:
    """Say what load of the home the plan expects, if it is learned and leaves the vehicle less."""
    if not is_learned(file) or not window.slots:
        return
    first, last = minute_of(window.slots[0].start), minute_of(window.slots[-1].end())
    own = own_amps(file, plan.charge_point, plan.vehicle)
    lowering: dict[str, float] = {}
    for limit in limits_of(file):
        if limit.kind not in {"fuse", "power"} or plan.vehicle not in limit.vehicles:
            continue
        loads = np.sum([home_load(file, first, last, phase) for phase in limit.phases], axis=0)
        load = float(loads.max())
        if load and load + own * limit.vehicles[plan.vehicle] > limit.amps:
            lowering[limit.kind] = max(load, lowering.get(limit.kind, 0.0))
    volts = file.household.nominal_volts
    drew = {
        "fuse": (f"{lowering.get('fuse', 0.0):g} A", "the main fuse"),
        "power": (f"{lowering.get('power', 0.0) * volts / WATTS_PER_KW:.1f} kW", "its power"),
    }
    for most, of in (drew[kind] for kind in lowering):
        yield (
            f"In past weeks the home drew up to {most} in these hours, as its meter showed: the"
            f" plan leaves it that much of {of}."
        )


def _later_needs(
    plan: Plan, departure: DepartureAt | None, other: Alternatives | None, zone: ZoneInfo
) -> Iterator[str]:
    """Name later needs that are out of reach, or that their own night is too short for."""
    form = "%a %d %b %H:%M"
    missed = [night for night in plan.later if night.is_short]
    for night in missed:
        yield (
            f"{night.need_percent:.0f} % by {_clock(night.departure, zone, form)} can't be reached,"
            f" even with the nights before it: the battery will hold {night.reaches_percent:.0f} %."
        )
    if departure is None or departure.instant in {night.departure for night in missed}:
        return
    # The time may be too short for it, and yet this night can't help.
    if other is None or other.more_kwh <= 0:
        return
    percent = departure.want_percent if departure.max_rate is None else departure.need_percent
    by = _clock(departure.instant, zone, form)
    yield f"{percent:.0f} % by {by} can't be reached in the night before it alone."


def _hours_plugged_in(plan: Plan, hours: Hours | None) -> Iterator[str]:
    if hours is not None:
        times = str(hours).replace("-", " to ")
        yield (
            f"{plan.vehicle} counts as plugged in only from {times} (plugged_in): charging is"
            " planned only then."
        )


def _hours_powered(plan: Plan, file: HouseholdFile) -> Iterator[str]:
    hours = powered_in_words(file, plan.charge_point)
    yield (
        f"The circuit of {plan.charge_point} has power only {hours} (powered): charging is"
        " planned only then."
    )


def _hours_avoided(plan: Plan, window: Window) -> Iterator[str]:
    if not plan.periods:
        return
    open_spans = [slot.span for slot in window.slots if slot.amps > 0]
    spans = {(span.band, span.rate) for span in open_spans}
    dearest_used = max(period.cost / period.kwh for period in plan.periods)
    # A band in which the roof is used is no band that is avoided.
    sunny = {period.band for period in plan.periods if period.roof_kwh}
    dearer = sorted(
        (rate, band)
        for band, rate in spans
        if float(rate) > dearest_used + 1e-9 and band not in sunny
    )
    if dearer:
        low, high = dearer[0][0], dearer[-1][0]
        bands = _bands(band for _rate, band in dearer) or "the hours"
        span = f"{low:.4f}" if low == high else f"{low:.4f} to {high:.4f}"
        estimated = {each.estimated for each in open_spans if each.rate >= low}
        mark = (
            ""
            if True not in estimated
            else " (some estimated)"
            if len(estimated) > 1
            else ESTIMATED
        )
        yield f"Keeps out of {bands} at {span} {plan.currency} per kWh{mark}."
    elif len(spans) == 1 and not any(slot.surplus_kw for slot in window.slots):
        yield "Every hour before the departure costs the same."


def _baselines(plan: Plan) -> Iterator[str]:
    if not plan.periods:
        return
    for outcome, rule in (
        (plan.at_once, "at once"),
        (plan.timer, "on a timer"),
    ):
        more = outcome.cost - plan.cost
        money = _money(abs(more), plan)
        extra = outcome.energy_kwh - plan.energy_kwh
        if abs(extra) > PRINTS_ALIKE_KWH:
            yield (
                f"Charging {rule} would cost {_money(outcome.cost, plan)} for"
                f" {outcome.energy_kwh:.2f} kWh: {abs(extra):.2f} kWh"
                f" {'more' if extra > 0 else 'less'}."
            )
        elif money != _money(0, plan):
            yield f"Charging {rule} would cost {money} {'more' if more > 0 else 'less'}."
        else:
            yield f"Charging {rule} would cost the same."


def _alternatives(
    plan: Plan, other: Alternatives, point: ChargePoint, zone: ZoneInfo
) -> Iterator[str]:
    shifts = [
        (way, _compared(cost - other.cost, plan))
        for way, cost in (("earlier", other.earlier), ("later", other.later))
        if cost is not None
    ]
    if shifts:
        (way, more), *others = shifts
        rest = "".join(f"; an hour {the_other}, {its}" for the_other, its in others)
        yield f"An hour {way} the same charge would cost {more}{rest}."
    if other.fewer_starts is not None:
        starts, cost, less_kwh = other.fewer_starts
        count = "1 start" if starts == 1 else f"{starts} starts"
        more = _compared(cost - other.cost, plan)
        less = f", for {less_kwh:.2f} kWh less" if less_kwh > PRINTS_ALIKE_KWH else ""
        yield f"With {count} instead of {plan.starts} it would cost {more}{less}."
    for current in other.currents:
        if current.amps > point.max_amps and not is_beyond_socket(point, current.amps):
            at = f"With a charge point for {current.amps:g} A"
        else:
            at = f"At {_amps(current.amps, point)}"
        if current.reaches_percent is not None:
            reach = f"{current.reaches_percent:.0f} %"
            is_less = current.reaches_percent < plan.reaches_percent
            only = "only " if is_less and reach != f"{plan.reaches_percent:.0f} %" else ""
            yield f"{at} it would {only}reach {reach}, for {_money(current.cost, plan)}."
        elif plan.shortfall is None:  # else a current that saves nothing is not what is missing
            more = _compared(current.cost - plan.cost, plan)
            energy = f"{abs(current.more_kwh):.2f} kWh {'more' if current.more_kwh > 0 else 'less'}"
            is_same = abs(current.more_kwh) <= PRINTS_ALIKE_KWH
            yield f"{at} it would cost {more}{'' if is_same else f', for {energy}'}."
    yield from _later_nights(plan, other, zone)


def _amps(amps: float, point: ChargePoint) -> str:
    return f"{amps:g} A{', with fixed equipment,' if is_beyond_socket(point, amps) else ''}"


def _equipment(amps: float, point: ChargePoint) -> str:
    """Name what would give a current; a socket carries some amperes more without a change."""
    if is_beyond_socket(point, amps):
        return f"Fixed equipment for at least {amps:g} A"
    if point.charging_mode == PORTABLE:
        return f"{amps:g} A"
    return f"A charge point for at least {amps:g} A"


def _compared(more: float, plan: Plan) -> str:
    money = _money(abs(more), plan)
    if money == _money(0, plan):
        return "the same"
    return f"{money} {'more' if more > 0 else 'less'}"


def _later_nights(plan: Plan, other: Alternatives, zone: ZoneInfo) -> Iterator[str]:
    if not other.more_kwh:
        return
    amount = f"{abs(other.more_kwh):.1f} kWh {'more' if other.more_kwh > 0 else 'less'}"
    until = _clock(plan.later[-1].departure, zone, "%a %d %b %H:%M")
    saves = _money(max(0.0, other.saves or 0.0), plan)
    saving = f", which saves {saves} by {until}" if saves != _money(0, plan) else ""
    yield f"The battery gets {amount} than for the next departure alone{saving}."


def _gap(plan: Plan, window: Window, zone: ZoneInfo) -> Iterator[str]:
    """Say how much better another plan of all nights could be, rounded up."""
    if plan.gap is None or not plan.later:
        return
    until = _clock(plan.later[-1].departure, zone, "%a %d %b %H:%M")
    steps, better = f"{window.tick_minutes:g} min", ceil(plan.gap * 1000) / 1000
    yield (
        f"No plan until {until} in steps of {steps} could be better by more than"
        f" {plan.currency} {better:.3f}, starts and what is wanted counted{_with_carbon(plan)}."
    )


def _left_out(
    plan: Plan, window: Window, max_rate: Decimal | None, point: ChargePoint, *, is_kept: bool
) -> Iterator[str]:
    if plan.shortfall or plan.want_percent - plan.reaches_percent < NOTICED_PERCENT:
        return
    reached, wanted = f"{plan.reaches_percent:.0f} %", f"{plan.want_percent:.0f} %"
    if reached == wanted:
        return
    left = f"Stops at {reached} of the {wanted} wanted: "
    charging = {tick.start for tick in window.ticks if plan.period_at(tick.start)}
    open_to_it = [tick for tick in window.ticks if tick.amps > 0]
    unused = [tick.price for tick in open_to_it if tick.start not in charging]
    if not unused or max_rate is None:
        yield left + "there is no time for more."
    elif min(unused) > float(max_rate):
        limit = f"the limit of {max_rate:f} {plan.currency} per kWh{_with_carbon(plan)}"
        is_dear = any(each.price > float(max_rate) * each.kwh + 1e-9 for each in plan.periods)
        if is_dear and not _is_beyond_need(plan):
            yield left + f"the need is met, and beyond it every hour costs more than {limit}."
        else:
            yield left + f"every other hour that it may use costs more than {limit}."
    else:
        yield left + _not_worth_it(plan, window, point, is_kept=is_kept)


def _not_worth_it(plan: Plan, window: Window, point: ChargePoint, *, is_kept: bool) -> str:
    """Say why what is wanted was left although its rate is accepted."""
    if is_kept:
        return "the rest is not worth a higher capacity charge."
    if plan.later:
        return f"the rest costs less on a later night{_with_carbon(plan)}."
    if _is_less_than_a_tick(plan, window):
        unit = "minute" if window.tick_minutes == 1 else "minutes"
        return f"the rest is less than {window.tick_minutes} {unit} of charging."
    if point.start_cost:
        return "the rest is not worth another start."
    return "the rest is too little for another run."


def _is_less_than_a_tick(plan: Plan, window: Window) -> bool:
    """Whether a tick at the plan's highest power would be more than what is left of the want."""
    charged_percent = plan.reaches_percent - plan.soc_percent
    if charged_percent <= 0 or not plan.periods:
        return False
    kw = max(each.kwh / ((each.end - each.start) / HOUR) for each in plan.periods)
    percent_of_tick = kw * window.tick_hours * charged_percent / plan.energy_kwh
    return plan.want_percent - plan.reaches_percent < percent_of_tick


def _margin(plan: Plan, departure: DepartureAt) -> Iterator[str]:
    """Say that it is too late to charge, if the margin before the departure has begun."""
    wants_more = plan.want_percent - plan.reaches_percent >= NOTICED_PERCENT
    if wants_more and not plan.periods and departure.ready_by <= plan.made_at < plan.departure:
        left, margin = (
            ceil((plan.departure - start) / MINUTE) for start in (plan.made_at, departure.ready_by)
        )
        yield (
            f"It leaves in {left} {'minute' if left == 1 else 'minutes'}, and charging ends"
            f" {margin} minutes before a departure (margin_minutes)."
        )


def _shortfall(plan: Plan, point: ChargePoint, zone: ZoneInfo) -> Iterator[str]:
    short = plan.shortfall
    if short is None:
        return
    # So that both numbers differ in print.
    digits = 0 if round(plan.reaches_percent) < round(plan.need_percent) else 1
    yield (
        f"{plan.need_percent:.{digits}f} % can't be reached in time: {short.kwh:.1f} kWh are"
        f" missing, and the battery will hold {plan.reaches_percent:.{digits}f} %."
    )
    if short.earliest_ready is not None:
        way = "without a pause" if point.plugged_in is None else "whenever it is plugged in"
        if point.powered is not None:
            way = "whenever its circuit has power"
        yield (
            f"Charging {way} would be done at"
            f" {_clock(short.earliest_ready, zone, '%a %d %b %H:%M')} at the earliest."
        )
    amps = short.amps_that_would_do
    if amps is not None and amps > max(USUAL_AMPS, point.max_amps):
        yield f"It would take {amps:g} A to do it in time, more than most charge points have."
    elif amps is not None:
        yield f"{_equipment(amps, point)} would do it in time."


def _given_up(
    plan: Plan, departure: DepartureAt, given_up: timedelta, *, for_later: bool
) -> Iterator[str]:
    if not given_up or not plan.periods:
        return
    asked = departure.wish is not None and departure.max_rate is None
    target = plan.want_percent if asked else plan.need_percent
    count = given_up / timedelta(minutes=1)
    minutes = f"the margin of {count:g} {'minute' if count == 1 else 'minutes'}"
    if for_later:
        yield f"A later departure needs every hour: {minutes} before this one is given up."
    elif plan.shortfall is None and plan.reaches_percent >= target - NEED_TOLERANCE_PERCENT:
        yield f"{target:.0f} % can't be reached with {minutes}: it is given up."
    else:
        yield f"Charging goes on until the departure itself: {minutes} is given up."


def _estimates(plan: Plan, zone: ZoneInfo) -> Iterator[str]:
    guessed = [period for period in plan.periods if period.estimated]
    if guessed:
        joined: list[tuple[datetime, datetime]] = []
        for period in guessed:
            start = joined.pop()[0] if joined and joined[-1][1] == period.start else period.start
            joined.append((start, period.end))
        times = ", ".join(f"{_clock(start, zone)}-{_clock(end, zone)}" for start, end in joined)
        yield f"The rate is an estimate for {times}: the plan is made again when it is known."


def _usage_tiers(window: Window) -> Iterator[str]:
    tiers = next((tick.span.tiers for tick in window.slots if tick.span.tiers), None)
    if tiers is not None:
        yield (
            "Rates change with use: the plan takes those of the next kWh after the usual"
            f" {tiers.usual_wh / WATT_HOURS_PER_KWH:g} kWh a {tiers.unit}."
        )
