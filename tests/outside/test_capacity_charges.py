"""Capacity charges against published rules, price lists and worked examples.

Flanders: the mean of the last twelve months' highest quarter-hours, each at least 2.5 kW, as the
regulator (VREG, since 2025 Vlaamse Nutsregulator) sets it. The twelve months are a worked example
of Wikibooks, "Energietransitie/Capaciteitstarief" (nl.wikibooks.org), which reckons by the
regulator's rule. Norway: "the mean of the three hours of the month with the highest use, on three
different days, decides which step you are in", in the words of a network operator (noranett.no,
"Nettleie"); the steps are those of another's price list of 1 August 2022 for households, tax
included (hsev.no, "Tariffer privatpersoner"). Sweden: a network operator's hours that count,
"holiday-free weekdays 07:00-20:00 in November to March" (telge.se, "Om hög- och låglasttid"). All
were read on 29 November 2026.
"""

from __future__ import annotations

from datetime import datetime

import numpy as np
import pytest

from daemon.presentation.capacity_words import counted_hours
from planners.capacity.charge import CapacityPrice
from planners.capacity.home_power import intervals_between
from planners.local_time.conversion import minute_of
from tests.planners.households import band, bands
from tests.planners.planned import DemoHousehold

MONTHS_KW = (0.632, 4.6, 0.0, 1.028, 3.444, 4.164, 4.564, 6.0, 9.2, 5.0, 4.12, 4.88)
TIMES_THE_LEAST = 1.782
"""The example's result: what is paid, as a multiple of what 2.5 kW cost. (It prints the mean itself
as 4,546 kW; its own months and this multiple give 4.456.)"""

SWEDISH = bands(
    band("all", "0.40"),
    special_days=[{"name": "eve", "dates": ["12-24"]}],
    capacity_charge={
        "rate_per_kw": 60, "interval_minutes": 60, "hours": ["07:00-20:00"],
        "days": ["mon", "tue", "wed", "thu", "fri"], "months": ["nov", "dec", "jan", "feb", "mar"],
        "not_on": ["holiday", "eve"],
    },
)  # fmt: skip

STEPS = (
    *((2.0, 275.0), (5.0, 375.0), (10.0, 450.0), (15.0, 525.0), (20.0, 725.0), (25.0, 1225.0)),
    *((50.0, 2100.0), (75.0, 3287.0), (100.0, 4475.0), (float("inf"), 7252.0)),
)


def test_flemish_mean_of_twelve_months() -> None:
    """Each month counts as at least 2.5 kW, and all above it is charged by the kilowatt."""
    price = CapacityPrice(rate_per_kw=1.0, at_least_kw=2.5, bills=12)
    peaks = [float(price.peak_of(np.array([kw]))) for kw in MONTHS_KW]
    assert peaks[:4] == [2.5, 4.6, 2.5, 2.5]
    mean = sum(peaks) / 12
    paid, least = price.of_power(np.array([mean, 2.5]))
    assert paid / least == pytest.approx(TIMES_THE_LEAST, abs=0.0005)


def test_flemish_peak_counts_in_twelve_bills() -> None:
    """One kW more in the last month costs its price once in all, a twelfth in each of 12 bills."""
    price = CapacityPrice(rate_per_kw=3.5, at_least_kw=2.5, bills=12)
    low, high = price.in_all_bills(np.array([4.88, 5.88]), MONTHS_KW[:-1])
    assert high - low == pytest.approx(3.5)


@pytest.mark.parametrize(
    ("days_kw", "charge"),
    [
        ((1.2, 2.4, 2.3, 1.0), 275),  # (2.4 + 2.3 + 1.2) / 3 = 1.97
        ((4.0, 6.2, 4.9, 3.1), 450),  # 5.03: just above the step
        ((4.0, 6.0, 5.0, 3.1), 375),  # 5.00: just within it
        ((7.9, 7.9, 7.9), 450),
        ((14.0, 3.0, 3.0), 450),  # one high hour alone: 6.67
    ],
)
def test_norwegian_steps_by_three_days(days_kw: tuple[float, ...], charge: float) -> None:
    """The mean of the highest hours of three different days decides the step."""
    price = CapacityPrice(steps=STEPS, highest_days=3)
    assert float(price.of_power(price.peak_of(np.array(days_kw)))) == charge


@pytest.mark.parametrize(
    ("local", "counts"),
    [
        ("2026-01-07T07:00", True),  # a Wednesday
        ("2026-01-07T06:00", False),
        ("2026-01-07T19:00", True),
        ("2026-01-07T20:00", False),
        ("2026-01-10T12:00", False),  # a Saturday
        ("2026-01-06T12:00", False),  # a Tuesday: Epiphany
        ("2026-03-31T12:00", True),
        ("2026-04-01T12:00", False),
        ("2026-12-24T12:00", False),  # a Thursday: declared as a special day, no public holiday
    ],
)
def test_swedish_hours_that_count(local: str, *, counts: bool) -> None:
    """Weekdays of the winter, but neither public holidays nor days that are named beside them."""
    file = DemoHousehold(
        home={"timezone": "Europe/Stockholm", "currency": "SEK", "public_holidays": "SE"},
        tariffs=(SWEDISH,),
    ).file()
    charge = file.tariffs[0].capacity_charge
    assert charge is not None
    minute = minute_of(datetime.fromisoformat(local).replace(tzinfo=file.zone))
    assert intervals_between(file, charge, minute, minute + 60).counts.tolist() == [counts]
    hours = "07:00 to 20:00, Monday to Friday in November to March"
    assert counted_hours(charge) == hours
