"""Price a night's metered energy at other hours: at once, on a timer, as cheaply as possible.

Every rule delivers the same energy, with the power that the vehicle really took. Charging at once
and a timer have the time that the plan had; the cheapest hours have the margin before the departure
too. Knows no plan, and neither run, rest nor start cost.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta
from decimal import Decimal
from itertools import pairwise
from typing import TYPE_CHECKING, Literal

from planners.rates.series_rates import BAND

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence
    from datetime import datetime

    from planners.accounts.by_source import RoofShare
    from planners.power.allowed_currents import AmpsSpan
    from planners.power.charging import ChargeModel
    from planners.rates.prices import RateSpan

HOUR = timedelta(hours=1)
TICK = timedelta(minutes=5)
"""The longest slot: a taper's power is taken at the start of each."""


@dataclass(frozen=True, slots=True)
class NightSlot:
    """A part of a night at one rate and one highest current.

    Attributes
    ----------
    start : datetime
        UTC.
    hours : float
        Its length [h].
    span : RateSpan
        Its rate.
    amps : float
        The highest current allowed [A per phase]; 0 while it was unplugged in between.
    metered_wh : int
        Energy that was metered in it [Wh].
    plugged_in : bool
        Whether the vehicle was plugged in.
    before_margin : bool
        Whether it was plugged in, and had still to be ready: the time that a plan has.
    surplus_wh : Decimal
        What the home's own generation could have given to the vehicle at the most [Wh].
    export_rate : Decimal
        What export would have paid for that [currency per kWh].
    grid_grams, roof_grams : Decimal
        The carbon that a kWh of the grid caused in it, and of the own generation [g CO2e per kWh].
    """

    start: datetime
    hours: float
    span: RateSpan
    amps: float
    metered_wh: int
    plugged_in: bool
    before_margin: bool
    surplus_wh: Decimal = Decimal(0)
    export_rate: Decimal = Decimal(0)
    grid_grams: Decimal = Decimal(0)
    roof_grams: Decimal = Decimal(0)

    def cost(self, wh: Decimal | int) -> Decimal:
        """Price some energy in it: what its own generation gives first [currency]."""
        from_roof_wh = min(wh, self.surplus_wh)
        cost = self.export_rate * from_roof_wh + self.span.rate * (wh - from_roof_wh)
        return cost.scaleb(-3)

    def grams(self, wh: Decimal | int) -> Decimal:
        """Return the carbon of some energy in it, its own generation's first [g CO2e]."""
        from_roof_wh = min(wh, self.surplus_wh)
        grams = self.roof_grams * from_roof_wh + self.grid_grams * (wh - from_roof_wh)
        return grams.scaleb(-3)


@dataclass(frozen=True, slots=True)
class RuleCost:
    """The cost of a night's energy by another rule.

    Attributes
    ----------
    cost : Decimal
        Unrounded [currency].
    outside_wh : Decimal
        Part of the energy for which the rule's own hours are too few; it is priced at the next
        cheapest hours [Wh].
    grams : Decimal
        The carbon of the energy, if the slots know any [g CO2e].
    """

    cost: Decimal
    outside_wh: Decimal
    grams: Decimal = Decimal(0)

    def __add__(self, other: RuleCost) -> RuleCost:
        """Add up the rule in two parts of a night."""
        return RuleCost(
            self.cost + other.cost, self.outside_wh + other.outside_wh, self.grams + other.grams
        )


def night_slots(
    spans: Sequence[RateSpan],
    currents: Sequence[AmpsSpan],
    plugged_in: tuple[datetime, datetime],
    read_at: Sequence[datetime],
    metered_until: Callable[[datetime], int],
    *,
    away: Sequence[tuple[datetime, datetime]] = (),
    ready_by: datetime | None = None,
    roof: RoofShare | None = None,
) -> tuple[NightSlot, ...]:
    """Divide a night into slots in which energy could flow, or did.

    Parameters
    ----------
    spans : sequence of RateSpan
        The night's rates, without a gap.
    currents : sequence of AmpsSpan
        The currents allowed in the same time, without a gap.
    plugged_in : tuple of datetime
        Since when, and until when, the vehicle could have charged.
    read_at : sequence of datetime
        When the meter was read, in order.
    metered_until : callable
        From an instant to the energy by then; never falls [Wh].
    away : sequence of tuple of datetime
        From when until when it was unplugged in between.
    ready_by : datetime, optional
        The instant from which no plan charges, as the margin before the departure begins.
    roof : RoofShare, optional
        What the home's own generation gave to the vehicle in the time of the spans.

    Returns
    -------
    tuple of NightSlot
        In order of time, cut wherever power began or ceased to flow.
    """
    if not spans:
        return ()
    start, end = spans[0].start, spans[-1].end
    since, until = plugged_in
    ready_by = until if ready_by is None else ready_by
    edges = {start, end, since, until, ready_by, *_switched(read_at, metered_until)}
    edges.update(instant for gap in away for instant in gap)
    edges.update(span.start for span in spans)
    edges.update(current.start for current in currents)
    export_spans = roof.export_spans if roof else ()
    edges.update(span.start for span in export_spans)
    edges.update(start + count * TICK for count in range((end - start) // TICK + 1))
    inside = sorted(edge for edge in edges if start <= edge <= end)
    slots: list[NightSlot] = []
    rates, allowed, exported = iter(spans), iter(currents), iter(export_spans)
    span, current, paid = next(rates), next(allowed), next(exported, None)
    for begins, ends in pairwise(inside):
        while span.end <= begins:
            span = next(rates)
        while current.end <= begins:
            current = next(allowed)
        while paid is not None and paid.end <= begins:
            paid = next(exported)
        metered_wh = metered_until(ends) - metered_until(begins)
        is_away = any(left <= begins < back for left, back in away)
        is_plugged_in = since <= begins and ends <= until and not is_away
        if is_plugged_in or metered_wh:
            hours = (ends - begins) / HOUR
            in_time = is_plugged_in and ends <= ready_by
            amps = 0.0 if is_away else current.amps
            slot = NightSlot(begins, hours, span, amps, metered_wh, is_plugged_in, in_time)
            if roof is not None and paid is not None:
                surplus_wh = _thousandths(roof.surplus_wh(begins, ends))
                slot = replace(slot, surplus_wh=surplus_wh, export_rate=paid.rate)
            slots.append(slot)
    return tuple(slots)


def at_once(
    slots: Sequence[NightSlot], model: ChargeModel, stored_kwh: float, wh: int, step_wh: int = 1
) -> RuleCost:
    """Price the energy from the plug-in on, without a pause.

    Parameters
    ----------
    slots : sequence of NightSlot
        From `night_slots`.
    model : ChargeModel
        The vehicle at its highest current, and at the voltage that it really had.
    stored_kwh : float
        Battery energy at the plug-in [kWh].
    wh : int
        The energy to deliver, the sum of what was metered in the slots [Wh].
    step_wh : int
        The register's last digit: by so much a slot's energy may be wrong [Wh].

    Returns
    -------
    RuleCost
        If the time is too short, the rest is in the next cheapest hours.
    """
    own = [slot for slot in slots if slot.before_margin]
    return _Placement(slots, model, step_wh).cost(own, stored_kwh, wh)


def timer(
    slots: Sequence[NightSlot], model: ChargeModel, stored_kwh: float, wh: int, step_wh: int = 1
) -> RuleCost:
    """Price the energy in the cheapest band, from its first instant.

    A price series has no bands: for it the timer is set to the uninterrupted run that costs least,
    as a person would set it each evening from the known prices.

    Parameters
    ----------
    slots, model, stored_kwh, wh, step_wh
        As for `at_once`.

    Returns
    -------
    RuleCost
        If those hours are too few, the rest is in the next cheapest hours.
    """
    own = [slot for slot in slots if slot.before_margin]
    placement = _Placement(slots, model, step_wh)
    if any(slot.span.band == BAND for slot in own):
        # A timer is set to a time on the clock, not to the second at which a meter was read.
        begins = [place for place, slot in enumerate(own) if not (place and slot.start.second)]
        runs = (placement.cost(own[place:], stored_kwh, wh) for place in begins)
        nothing = RuleCost(Decimal(0), Decimal(0))
        return min(runs, key=lambda run: (run.outside_wh, run.cost), default=nothing)
    lowest = min((slot.span.rate for slot in own), default=None)
    cheapest = [slot for slot in own if slot.span.rate == lowest]
    return placement.cost(cheapest, stored_kwh, wh)


def cheapest_hours(
    slots: Sequence[NightSlot], model: ChargeModel, wh: int, step_wh: int = 1
) -> RuleCost:
    """Price the energy in the cheapest slots, at full power; see `at_once`."""
    return _Placement(slots, model, step_wh).cost((), 0.0, wh, tapered=False)


class _Placement:
    """Places energy in the slots of a night; a rule's own slots first, then the cheapest others."""

    def __init__(self, slots: Sequence[NightSlot], model: ChargeModel, step_wh: int) -> None:
        self._model = model
        self._full_wh: dict[datetime, Decimal] = {}
        self._more_wh: dict[datetime, Decimal] = {}
        """What was metered beyond full power, and the reading's last digit does not explain."""
        for slot in slots:
            full_wh = _wh(slot.amps * model.kw_per_amp, slot.hours)
            more_wh = max(Decimal(0), slot.metered_wh - full_wh)
            self._full_wh[slot.start] = full_wh + (more_wh if more_wh > step_wh + 1 else 0)
            self._more_wh[slot.start] = more_wh if more_wh <= step_wh + 1 else Decimal(0)
        self._cheapest = sorted(slots, key=lambda slot: (self._mean_rate(slot), slot.start))

    def cost(
        self, own: Sequence[NightSlot], stored_kwh: float, wh: int, *, tapered: bool = True
    ) -> RuleCost:
        left, outside = Decimal(wh), Decimal(0)
        placed_in: dict[datetime, Decimal] = {}
        its_own = {slot.start for slot in own}
        free = dict(self._full_wh)
        for slot, power, most_wh in self._order(own, its_own, tapered=tapered):
            if left <= 0:
                break
            possible_wh = free[slot.start] if most_wh is None else min(free[slot.start], most_wh)
            if power == "tapered":
                kw = self._model.metered_kw(stored_kwh, slot.amps)
                possible_wh = min(possible_wh, _wh(kw, slot.hours))
                share = min(1.0, float(left / possible_wh)) if possible_wh else 0.0
                stored_kwh += share * self._model.gained_kw(kw) * slot.hours
            elif power == "metered":
                possible_wh += self._more_wh[slot.start]
            placed = min(left, possible_wh)
            left -= placed
            free[slot.start] -= placed
            outside += placed if tapered and slot.start not in its_own else 0
            placed_in[slot.start] = placed_in.get(slot.start, Decimal(0)) + placed
        placed_slots = [slot for slot in self._cheapest if slot.start in placed_in]
        cost = sum((slot.cost(placed_in[slot.start]) for slot in placed_slots), Decimal(0))
        grams = sum((slot.grams(placed_in[slot.start]) for slot in placed_slots), Decimal(0))
        return RuleCost(cost, outside, grams)

    def _mean_rate(self, slot: NightSlot) -> Decimal:
        """Return what a kWh costs in a slot if it is used whole."""
        full_wh = self._full_wh[slot.start]
        if not slot.surplus_wh or not full_wh:
            return slot.span.rate
        return slot.cost(full_wh).scaleb(3) / full_wh

    def _pieces(self) -> list[tuple[Decimal, NightSlot, Decimal]]:
        """List the rates at which the slots give energy, the lowest first, with how much each."""
        pieces: list[tuple[Decimal, NightSlot, Decimal]] = []
        for slot in self._cheapest:
            full_wh = self._full_wh[slot.start]
            from_roof_wh = min(slot.surplus_wh, full_wh)
            if from_roof_wh and slot.export_rate <= slot.span.rate:
                pieces.append((slot.export_rate, slot, from_roof_wh))
                pieces.append((slot.span.rate, slot, full_wh - from_roof_wh))
            else:
                # If export pays more than the grid costs, a slot's first energy is its dearest: no
                # use of it costs less per kWh than all of it.
                pieces.append((self._mean_rate(slot), slot, full_wh))
        return sorted(pieces, key=lambda piece: (piece[0], piece[1].start))

    def _order(
        self, own: Iterable[NightSlot], its_own: set[datetime], *, tapered: bool
    ) -> Iterator[tuple[NightSlot, Literal["tapered", "full", "metered"], Decimal | None]]:
        """List the slots to fill, with which power, and how much at the most."""
        if tapered:
            yield from ((slot, "tapered", None) for slot in own)
            others = [slot for slot in self._cheapest if slot.start not in its_own]
            # The margin before a departure is no rule's time, unless nothing else is left.
            others.sort(key=lambda slot: slot.plugged_in and not slot.before_margin)
            yield from ((slot, "tapered", None) for slot in others)
            # More may have been metered than the declared taper allows.
            yield from ((slot, "full", None) for slot in self._cheapest)
        else:
            yield from ((slot, "full", most_wh) for _, slot, most_wh in self._pieces())
        yield from ((slot, "metered", None) for slot in self._cheapest)


def _wh(kw: float, hours: float) -> Decimal:
    """Return the energy of a power, to a thousandth of a watt-hour [Wh]."""
    return _thousandths(kw * hours * 1e3)


def _thousandths(wh: float) -> Decimal:
    return Decimal(round(wh * 1e3)).scaleb(-3)


def _switched(
    read_at: Sequence[datetime], metered_until: Callable[[datetime], int]
) -> Iterator[datetime]:
    """Find the instants at which power began or ceased to flow."""
    flows = [metered_until(later) > metered_until(earlier) for earlier, later in pairwise(read_at)]
    for instant, (before, after) in zip(read_at[1:], pairwise(flows), strict=False):
        if before != after:
            yield instant
