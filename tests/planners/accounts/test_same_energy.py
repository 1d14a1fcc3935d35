"""A night's energy at other hours: the slots that it is placed in, and the price of each rule."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import TYPE_CHECKING

from planners.accounts.same_energy import RuleCost, at_once, cheapest_hours, night_slots, timer
from planners.power.allowed_currents import AmpsSpan
from planners.power.charging import ChargeModel
from planners.rates.prices import RateSpan
from planners.rates.series_rates import BAND

if TYPE_CHECKING:
    from planners.accounts.same_energy import NightSlot

START = datetime(2026, 6, 3, 6, 0, tzinfo=UTC)
DAY, NIGHT = Decimal("0.30"), Decimal("0.10")
PRICES = (DAY, NIGHT, Decimal("0.20"))
FULL_KWH, HALF_KWH = Decimal("0.613333"), Decimal("0.306667")  # 5 min at 7.36 and at 3.68 kW
MODEL = ChargeModel(32.0, 1, 230.0, 60.0, 1.0)


def at(minutes: float) -> datetime:
    return START + timedelta(minutes=minutes)


def span(start: float, end: float, rate: Decimal, band: str) -> RateSpan:
    return RateSpan(at(start), at(end), rate, band, "A tariff", estimated=False)


TWO_BANDS = [span(0, 60, DAY, "day"), span(60, 180, NIGHT, "night")]


def unmetered(spans: list[RateSpan]) -> tuple[NightSlot, ...]:
    """Three hours with 32 A, and 16 A in the second half, in which nothing flowed."""
    currents = [AmpsSpan(at(0), at(90), 32.0), AmpsSpan(at(90), at(180), 16.0)]
    return night_slots(spans, currents, (at(0), at(180)), [], lambda _: 0)


def test_a_slot_has_five_minutes_at_most_one_rate_and_one_current() -> None:
    """Each slot takes both from where it begins."""
    slots = unmetered(TWO_BANDS)
    assert [(slot.start, slot.hours) for slot in slots] == [
        (at(minute), 1 / 12) for minute in range(0, 180, 5)
    ]
    assert [slot.span.rate for slot in slots] == [DAY] * 12 + [NIGHT] * 24
    assert [slot.amps for slot in slots] == [32.0] * 18 + [16.0] * 18


def test_slots_are_cut_where_power_began_and_ceased_to_flow() -> None:
    """Between readings at 7 and 12 minutes 600 Wh flowed, before the plug-in was known."""
    slots = night_slots(
        TWO_BANDS,
        [AmpsSpan(at(0), at(180), 32.0)],
        (at(170), at(175)),
        [at(0), at(7), at(12), at(14), at(18)],
        lambda instant: round(120 * min(max((instant - at(7)) / timedelta(minutes=1), 0.0), 5.0)),
    )
    assert [(slot.start, slot.metered_wh, slot.plugged_in) for slot in slots] == [
        (at(7), 360, False), (at(10), 240, False), (at(170), 0, True),
    ]  # fmt: skip


def test_the_cheapest_hours_are_filled_at_full_power() -> None:
    """Half an hour at 32 A and 90 minutes at 16 A of night; the day has the rest."""
    by_night = 6 * FULL_KWH + 18 * HALF_KWH
    cost = by_night * NIGHT + (10 - by_night) * DAY
    assert cheapest_hours(unmetered(TWO_BANDS), MODEL, 10_000) == RuleCost(cost, Decimal(0))


def test_at_once_follows_the_taper() -> None:
    """From 50 % on, 5 minutes at 7.36 kW, then half of it: 3.987 kWh in the first hour."""
    model = ChargeModel(32.0, 1, 230.0, 60.0, 1.0, taper=((50.0, 100.0), (51.0, 50.0)))
    priced = at_once(unmetered(TWO_BANDS), model, 30.0, 5_000)
    by_day = FULL_KWH + 11 * HALF_KWH
    assert priced == RuleCost(by_day * DAY + (5 - by_day) * NIGHT, Decimal(0))


def test_with_prices_the_timer_is_set_to_the_cheapest_run() -> None:
    """An hour at 0.10 between dearer ones holds 5.52 kWh, as half of it has 16 A."""
    hours = [span(60 * place, 60 * place + 60, rate, BAND) for place, rate in enumerate(PRICES)]
    assert timer(unmetered(hours), MODEL, 0.0, 5_520) == RuleCost(
        Decimal("5.52") * NIGHT, Decimal(0)
    )


def test_readings_rounded_to_a_watt_hour_make_no_slot_hold_more_than_full_power() -> None:
    """The cheap hours hold 14.72 kWh, though five minutes are metered as 613 or 614 Wh."""

    def metered(instant: datetime) -> int:
        return round(7360 * ((instant - START) / timedelta(hours=1)))

    read_at = [at(5 * count) for count in range(37)]
    there = at(0), at(180)
    slots = night_slots(TWO_BANDS, [AmpsSpan(at(0), at(180), 32.0)], there, read_at, metered)
    assert {slot.metered_wh for slot in slots} == {613, 614}
    cost = cheapest_hours(slots, MODEL, 17_720).cost
    assert round(cost, 4) == Decimal("14.72") * NIGHT + Decimal("3.00") * DAY


def test_the_margin_before_the_departure_is_no_time_for_a_timer() -> None:
    """From minute 165 on no plan charges: the timer and charging at once don't either."""
    last = [span(0, 165, DAY, "day"), span(165, 180, NIGHT, "night")]
    allowed, there = [AmpsSpan(at(0), at(180), 32.0)], (at(0), at(180))
    slots = night_slots(last, allowed, there, [], lambda _: 0, ready_by=at(165))
    assert timer(slots, MODEL, 0.0, 1_000) == RuleCost(DAY, Decimal(0))
    assert at_once(slots, MODEL, 0.0, 1_000) == RuleCost(DAY, Decimal(0))
    assert cheapest_hours(slots, MODEL, 1_000) == RuleCost(NIGHT, Decimal(0))
    # 20.24 kWh fit before the margin; a rule takes it only for what is left.
    late = at_once(slots, MODEL, 0.0, 21_240)
    assert round(late.cost, 4) == Decimal("20.24") * DAY + Decimal("1.00") * NIGHT
    assert round(late.outside_wh) == 1000
