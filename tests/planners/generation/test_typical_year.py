"""A typical year has the sun that is declared for it, in dull and clear days."""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from numpy.typing import NDArray

from config.choices.own_roof import AppraisedGeneration
from config.files.errors import UsageError
from planners.generation.typical_days import clearness_of_days, evenly_ranked, ranks_of_days
from planners.generation.typical_year import typical_year
from planners.local_time.conversion import instant_of_local, minute_of

AUCKLAND = ZoneInfo("Pacific/Auckland")
LEVEL = {"peak_kw": 1.0, "tilt_degrees": 0.0, "azimuth_degrees": 0.0, "losses_percent": 0.0}
SUN = [6.4, 5.6, 4.5, 3.2, 2.3, 1.9, 2.1, 2.8, 3.9, 5.0, 6.0, 6.5]
MONTHS = np.array([date.fromordinal(date(2027, 1, 1).toordinal() + n).month for n in range(365)])


def generation(
    weather: dict[str, Any], *roofs: dict[str, Any], **keys: object
) -> AppraisedGeneration:
    place = {"latitude": -36.85, "longitude": 174.76}
    declared: dict[str, object] = {**place, "roofs": list(roofs) or [LEVEL]}
    return AppraisedGeneration.model_validate(
        declared | {"weather": weather} | keys, context={"directory": Path("here")}
    )


def daily_kwh(roofs: AppraisedGeneration, zone: ZoneInfo = AUCKLAND) -> NDArray[np.float64]:
    """Return the energy of each local day of a year; days on which clocks change count as 24 h."""
    year = typical_year(roofs, zone, 2027)
    first = minute_of(instant_of_local(date(2027, 1, 1), datetime.min.time(), zone))
    return year.means(first, 365, 1440) * 24


def test_each_month_has_its_declared_sun() -> None:
    """A level plane of 1 kW without losses gives 1 kWh for each kWh per m2, month by month."""
    days = daily_kwh(generation({"daily_sun_kwh_per_m2": SUN}))
    means = [days[month == MONTHS].mean() for month in range(1, 13)]
    assert means == pytest.approx(SUN, rel=0.01)
    # Dull days and clear ones: some have less than half of the mean, some a quarter more.
    january = days[MONTHS == 1] / SUN[0]
    assert january.min() < 0.5
    assert january.max() > 1.2


def test_the_same_seed_draws_the_same_year() -> None:
    """Another seed has the same days of each month in another order."""
    one, same, other = (
        daily_kwh(generation({"daily_sun_kwh_per_m2": SUN, "seed": seed})) for seed in (1, 1, 2)
    )
    assert one.tolist() == same.tolist()
    assert np.abs(one - other).max() > 1
    assert one.sum() == pytest.approx(other.sum(), rel=0.01)


def test_a_declared_yield_is_met_by_all_roofs_behind_their_inverter() -> None:
    """1,200 kWh per kWp of two roofs; summer gives more than winter, as a clear sky does."""
    roofs = (
        {"peak_kw": 4.0, "tilt_degrees": 25.0, "azimuth_degrees": 20.0},
        {"peak_kw": 2.0, "tilt_degrees": 25.0, "azimuth_degrees": 290.0},
    )
    declared = generation({"yearly_kwh_per_kwp": 1200.0}, *roofs, inverter_kw=4.5)
    found = typical_year(declared, AUCKLAND, 2027)
    assert found.per_kwp == pytest.approx(1200, abs=0.5)
    assert found.year_kwh == pytest.approx(6 * found.per_kwp)
    assert found.kw.max() == 4.5
    days = daily_kwh(declared)
    assert days[MONTHS == 1].mean() > 1.5 * days[MONTHS == 6].mean()


def test_power_is_that_of_the_place() -> None:
    """The sun of Auckland is highest near 00:30 UTC, and its roofs give nothing at 12:00 UTC."""
    year = typical_year(generation({"daily_sun_kwh_per_m2": SUN}), AUCKLAND, 2027)
    first = minute_of(datetime(2027, 3, 20, 12, tzinfo=UTC))
    hours = year.means(first, 24, 60)
    assert hours[0] == 0
    assert 11 <= int(hours.argmax()) <= 13


@pytest.mark.parametrize(
    ("weather", "words"),
    [
        ({"yearly_kwh_per_kwp": 2400.0}, "expected a number from"),
        ({"daily_sun_kwh_per_m2": [*SUN[:5], 5.0, *SUN[6:]]}, r"m2\[5\]: expected at most"),
    ],
)
def test_more_sun_than_a_clear_sky_gives_is_refused(weather: dict[str, Any], words: str) -> None:
    with pytest.raises(UsageError, match=words):
        typical_year(generation(weather), AUCKLAND, 2027)


@pytest.mark.parametrize("mean", [0.15, 0.3, 0.45, 0.6, 0.72])
def test_days_have_the_clearness_of_their_month_on_average(mean: float) -> None:
    """Also in a month of a thousand days; clearer days have higher ranks."""
    ranks = evenly_ranked(np.arange(1000.0))
    days = clearness_of_days(mean, ranks)
    assert days.mean() == pytest.approx(mean, abs=0.002)
    assert (np.diff(days) > 0).all()


def test_dull_days_come_in_a_row() -> None:
    """A day says of the next one what was published: a correlation of 0.29."""
    numbers = ranks_of_days(20_000, seed=3)
    assert np.corrcoef(numbers[:-1], numbers[1:])[0, 1] == pytest.approx(0.29, abs=0.02)
