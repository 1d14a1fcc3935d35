"""A night's carbon: metered energy times the intensity then, beside charging at once."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from decimal import Decimal
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import pytest

from config.files.forecast_series import IntensityPoint
from config.home.carbon import Carbon
from daemon.control.state import House
from daemon.night_log.carbon import NightCarbon, carbon_sums, carbon_words, night_carbon
from daemon.nights.account import night_record
from daemon.nights.metered import NightMeters
from planners.accounts.by_source import GridInterval, roof_share
from planners.accounts.register import RegisterReading
from planners.carbon.outlook import CarbonOutlook
from planners.rates.spans import RateSpan
from tests.daemon.nights.test_account import BEGINS, FACTS, charged
from tests.daemon.worlds import EVENING, HOUR, NIGHT_BEGINS, kowhai

if TYPE_CHECKING:
    from collections.abc import Sequence

GRAMS = [float(80 + 37 * n % 400) for n in range(48)]
"""Half-hours from noon to noon, up and down; invented."""

HALF_HOUR = timedelta(minutes=30)


def intensities(grams: Sequence[float] = GRAMS, start: datetime = BEGINS) -> list[IntensityPoint]:
    return [IntensityPoint(start + n * HALF_HOUR, value) for n, value in enumerate(grams)]


def house_with(points: Sequence[IntensityPoint], kind: str = "average") -> House:
    house = kowhai()
    carbon = Carbon.model_validate({"kind": kind})
    outlook = CarbonOutlook(carbon, house.file.zone, tuple(points))
    return replace(house, prices=house.prices.with_carbon(outlook))


def kg_by_hand(readings: Sequence[RegisterReading]) -> float:
    """Add up each minute's step of the register times the intensity of its half-hour."""
    return sum(
        (after.register_wh - before.register_wh) / 1e6 * GRAMS[(before.at - BEGINS) // HALF_HOUR]
        for before, after in pairwise(readings)
    )


def carbon_of(house: House, readings: Sequence[RegisterReading], **meters: Any) -> dict[str, Any]:  # noqa: ANN401
    found: dict[str, Any] = night_record(house, FACTS, NightMeters(readings, **meters))["carbon"]
    return found


def test_a_night_tells_what_it_caused_beside_charging_at_once() -> None:
    """Both by hand: 18.45 kWh at 7.38 kW from 21:10 on, or from the plug-in at 18:30 on."""
    start = NIGHT_BEGINS + timedelta(minutes=10)
    readings = charged(start, 150, 7380)
    carbon = carbon_of(house_with(intensities()), readings)
    assert float(carbon["kg"]) == pytest.approx(kg_by_hand(readings), abs=1e-5)
    at_once = kg_by_hand(charged(EVENING, 150, 7380))
    assert float(carbon["at_once_kg"]) == pytest.approx(at_once, rel=0.002)
    assert (carbon["kind"], carbon["estimated_kwh"]) == ("average", 0)
    assert "carbon" not in night_record(kowhai(), FACTS, NightMeters(readings))
    once = carbon_of(house_with(intensities()), charged(EVENING, 150, 7380))
    assert once["kg"] == pytest.approx(once["at_once_kg"], rel=Decimal("0.002"))


@pytest.mark.parametrize(("kind", "part"), [("average", 0.5), ("marginal", 1.0)])
def test_what_the_roof_gave_counts_only_on_the_margin(kind: str, part: float) -> None:
    """Half of what flowed came from the roof, in every five minutes."""
    start = NIGHT_BEGINS
    readings = charged(start, 60)
    grid = [GridInterval(start + n * timedelta(minutes=5), 300, 0) for n in range(12)]
    until = {reading.at: reading.register_wh for reading in readings}
    span = RateSpan(BEGINS, BEGINS + 24 * HOUR, Decimal("0.1"), "roof", "", estimated=False)
    roof = roof_share(grid, [span], lambda at: until[at.replace(second=0, microsecond=0)])
    carbon = carbon_of(house_with(intensities(), kind), readings, roof=roof)
    assert float(carbon["kg"]) == pytest.approx(part * kg_by_hand(readings), rel=0.001)
    words = carbon_words(NightCarbon(kind, carbon["kg"], None))
    assert ("an own roof's energy counts as the grid's" in words) is (kind == "marginal")


def test_energy_of_unknown_intensity_is_told() -> None:
    """Known until 22:00 only: the rest counts at the mean, and is named."""
    readings = charged(NIGHT_BEGINS, 120)
    ends = NIGHT_BEGINS + HOUR
    known = [point for point in intensities() if point.start < ends]
    carbon = carbon_of(house_with(known), readings)
    mean = sum(point.value for point in known) / len(known)
    hour = kg_by_hand(charged(NIGHT_BEGINS, 60))
    assert float(carbon["kg"]) == pytest.approx(hour + 7.2 * mean / 1000, rel=0.001)
    assert carbon["estimated_kwh"] == Decimal("7.2")
    nothing = carbon_of(house_with([]), readings)
    assert nothing == {"kind": "average", "kg": None, "at_once_kg": None, "estimated_kwh": 0}


def record(energy: str, **carbon: Any) -> dict[str, Any]:  # noqa: ANN401
    made: dict[str, Any] = {"energy_kwh": Decimal(energy)}
    known = {"kind": "average", "at_once_kg": Decimal(2), "estimated_kwh": Decimal(0)}
    return made | ({"carbon": known | carbon} if carbon else {})


def test_nights_add_up_by_kind_and_hide_nothing() -> None:
    """A night without intensities, one before they were declared, one of another kind."""
    records = [
        record("10", kg=Decimal("1.2"), estimated_kwh=Decimal("0.5")),
        record("7", kg=None, at_once_kg=None),
        record("3"),
        record("5", kg=Decimal(1), kind="marginal", at_once_kg=None),
    ]
    sums = carbon_sums((night_carbon(each), round(1000 * each["energy_kwh"])) for each in records)
    assert sums == (
        NightCarbon("average", Decimal("1.2"), Decimal(2), 500, 10_000),
        NightCarbon("marginal", Decimal(1), None),
    )
    average, marginal = map(carbon_words, sums)
    assert average == (
        "1.20 kg CO2e (average); charging at once would have caused 2.00 kg; 0.50 kWh of it at"
        " estimated intensities; of 10.00 kWh more it is not known"
    )
    assert marginal == "1.00 kg CO2e (marginal; an own roof's energy counts as the grid's)"
    assert carbon_sums([(None, 5)]) == ()
    only = carbon_sums([(night_carbon(records[1]), 7000)])
    assert carbon_words(only[0]) == "not known: no carbon intensity of the grid is (average)"
