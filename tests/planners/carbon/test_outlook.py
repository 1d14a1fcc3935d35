"""Carbon intensities at any instant: the newest that is known, else a told estimate."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

import pytest

from config.files.forecast_series import IntensityPoint
from config.home.carbon import Carbon
from planners.carbon.caused import Caused, caused
from planners.carbon.outlook import CarbonOutlook, IntensityRun
from planners.local_time.conversion import minute_of

ZONE = ZoneInfo("Pacific/Auckland")
MIDNIGHT = datetime(2026, 6, 1, 12, tzinfo=UTC)
"""00:00 of 2 June at Kowhai Cottage, in standard time."""

HALF_HOUR = timedelta(minutes=30)
DAY = timedelta(days=1)


def outlook(points: list[IntensityPoint], kind: str = "average", price: float = 0) -> CarbonOutlook:
    carbon = Carbon.model_validate({"kind": kind, "price_per_tonne": price})
    return CarbonOutlook(carbon, ZONE, tuple(points))


def day_of(start: datetime, grams: float, hours: int = 24) -> list[IntensityPoint]:
    """List half-hours, each a gram more than the one before."""
    return [IntensityPoint(start + n * HALF_HOUR, grams + n) for n in range(2 * hours)]


def grams_at(known: CarbonOutlook, instant: datetime) -> tuple[float, bool]:
    grams, estimated = known.grams(minute_of(instant), minute_of(instant) + 1)
    return float(grams[0]), bool(estimated[0])


def test_the_newest_value_counts() -> None:
    """Instant by instant; one of unknown age is older than any other."""
    issued = MIDNIGHT - DAY
    old = [IntensityPoint(MIDNIGHT + n * HALF_HOUR, 100.0) for n in range(4)]
    new = [IntensityPoint(MIDNIGHT + HALF_HOUR, 50.0, issued)]
    newer = [IntensityPoint(MIDNIGHT + HALF_HOUR, 70.0, issued + HALF_HOUR)]
    for points in ([*old, *new, *newer], [*newer, *new, *old]):
        runs = outlook(points).runs(minute_of(MIDNIGHT), minute_of(MIDNIGHT) + 120)
        assert [(run.grams, run.last - run.first) for run in runs] == [
            (100, 30),
            (70, 60),
            (100, 30),
        ]


def test_the_same_half_hour_of_the_days_before_stands_in() -> None:
    """Of seven known days at most; of the days after where none is before."""
    days = [day_of(MIDNIGHT + n * DAY, 100.0 * n) for n in range(1, 10)]
    known = outlook([point for day in days for point in day])
    three = timedelta(hours=3)
    # Of days 3 to 9, 600 is the mean; 03:00 is the seventh half-hour.
    assert grams_at(known, MIDNIGHT + 12 * DAY + three) == (606, True)
    assert grams_at(known, MIDNIGHT + three) == (406, True)
    assert grams_at(known, MIDNIGHT + 9 * DAY + three) == (906, False)


def test_a_gap_is_estimated_and_told() -> None:
    """From the days before it, though later days are known."""
    first, gap, last = (day_of(MIDNIGHT + n * DAY, 100.0 * (n + 1)) for n in range(3))
    known = outlook([*first, *gap[:10], *gap[14:], *last])
    runs = known.runs(minute_of(MIDNIGHT), minute_of(MIDNIGHT) + 3 * 1440)
    estimated = [run for run in runs if run.estimated]
    assert [run.grams for run in estimated] == [110, 111, 112, 113]
    assert estimated[0].first == minute_of(MIDNIGHT + DAY + 10 * HALF_HOUR)


def test_a_lone_value_of_another_century_hides_nothing() -> None:
    """A mistyped year in a file: what is known is known, and is the nearest to estimate from."""
    far = IntensityPoint(datetime(2099, 1, 1, tzinfo=UTC), 2000.0)
    known = outlook([*day_of(MIDNIGHT, 100.0), far])
    assert grams_at(known, MIDNIGHT) == (100, False)
    assert grams_at(known, MIDNIGHT + DAY) == (100, True)


def test_an_hour_that_no_day_knows_has_the_mean_of_all() -> None:
    """Three hours of one day are known: 100 to 105 g."""
    known = outlook(day_of(MIDNIGHT, 100.0, hours=3))
    assert grams_at(known, MIDNIGHT + 12 * HALF_HOUR) == (102.5, True)
    assert not outlook([]).is_known
    with pytest.raises(ValueError, match="no intensity is known"):
        outlook([]).grams(0, 1)


def test_the_local_clock_tells_the_half_hour() -> None:
    """At Kowhai Cottage the clock is put on by an hour on 27 September 2026 (IANA)."""
    before = day_of(datetime(2026, 9, 25, 12, tzinfo=UTC), 100.0)
    noon_after = datetime(2026, 9, 26, 23, tzinfo=UTC)
    assert noon_after.astimezone(ZONE).hour == 12
    assert grams_at(outlook(before), noon_after) == (124, True)


def test_energy_times_intensity_is_carbon() -> None:
    """2 kWh in each half-hour; what the roof gave counts only where it is marginal."""
    points = [IntensityPoint(MIDNIGHT, 100.0), IntensityPoint(MIDNIGHT + HALF_HOUR, 250.0)]

    def wh(start: datetime, end: datetime) -> int:
        return round((end - start) / HALF_HOUR * 2000)

    def roof_wh(start: datetime, end: datetime) -> int:
        return wh(start, end) // 4

    end = MIDNIGHT + 2 * HALF_HOUR
    assert caused(outlook(points), MIDNIGHT, end, wh) == Caused(Decimal("0.7"), 0)
    assert caused(outlook(points), MIDNIGHT, end, wh, roof_wh) == Caused(Decimal("0.525"), 0)
    marginal = outlook(points, "marginal")
    assert caused(marginal, MIDNIGHT, end, wh, roof_wh) == Caused(Decimal("0.7"), 0)
    late = caused(outlook(points), MIDNIGHT, end + HALF_HOUR, wh, roof_wh)
    assert late == Caused(Decimal("0.7875"), 1500)  # 1.5 kWh more at the mean, 175 g


def test_what_a_plan_counts_for_a_kilowatt_hour() -> None:
    """50 a tonne at 400 g/kWh is 2 hundredths (arithmetic)."""
    known = outlook([IntensityPoint(MIDNIGHT, 400.0)], price=50)
    assert known.has_price
    assert 400 * known.price_per_gram == pytest.approx(0.02)
    assert known.as_free().price_per_gram == 0
    assert known.changes(minute_of(MIDNIGHT), minute_of(MIDNIGHT) + 60) == []
    assert known.runs(minute_of(MIDNIGHT), minute_of(MIDNIGHT) + 60) == [
        IntensityRun(minute_of(MIDNIGHT), minute_of(MIDNIGHT) + 60, 400.0, estimated=False)
    ]
