"""What roofs are expected to give: by forecasts, by a clear sky, by what the meter has shown."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from config.files.forecast_series import ForecastPoint
from config.home.generation import Generation
from planners.generation.forecast import forecast_doubt, values_by_minute
from planners.generation.metered import GenerationHour
from planners.generation.nowcast import Recent, with_reading
from planners.generation.outlook import (
    Outlook,
    clear_sky_kw,
    learned_shares,
)
from planners.local_time.conversion import instant_of, minute_of

ZONE = ZoneInfo("Pacific/Auckland")
ROOF = {"peak_kw": 5, "tilt_degrees": 25, "azimuth_degrees": 0}
AUCKLAND = {"latitude": -36.85, "longitude": 174.76, "roofs": [ROOF]}
MIDNIGHT = datetime(2026, 1, 10, tzinfo=ZONE).astimezone(UTC)
DAY = minute_of(MIDNIGHT)
HOUR = timedelta(hours=1)


def generation(**keys: object) -> Generation:
    return Generation.model_validate(keys)


def point(hour: float, kw: float, issued: int | None = 0) -> ForecastPoint:
    """Expect a power at some hour of the day, by a forecast of so many hours before midnight."""
    made = None if issued is None else MIDNIGHT - issued * HOUR
    return ForecastPoint(MIDNIGHT + hour * HOUR, kw, made)


def test_a_clear_day() -> None:
    """Modules of 5 kW give 30 to 40 kWh on a clear summer's day (common practice, no source)."""
    kw = clear_sky_kw(generation(**AUCKLAND), DAY, DAY + 1440)
    assert kw.sum() / 60 == pytest.approx(35, abs=5)
    assert kw[: 5 * 60].max() == kw[21 * 60 :].max() == 0
    assert 13 <= int(kw.argmax()) / 60 <= 14  # local solar noon, by daylight saving time


def test_roofs_add_up_to_what_the_inverter_lets_through() -> None:
    """One to the east and one to the west give more than one, and never more than 3 kW."""
    east, west = ({**ROOF, "azimuth_degrees": each} for each in (90, 270))
    apart = [clear_sky_kw(generation(**AUCKLAND | {"roofs": [each]}), DAY, DAY + 1440)
             for each in (east, west)]  # fmt: skip
    both = clear_sky_kw(generation(**AUCKLAND | {"roofs": [east, west]}), DAY, DAY + 1440)
    assert both == pytest.approx(apart[0] + apart[1])
    limited = generation(**AUCKLAND, inverter_kw=3)
    assert Outlook(limited, ZONE).expected_kw(DAY, DAY + 1440).max() == 3


def test_the_newest_forecast_counts_minute_by_minute() -> None:
    """A newer one replaces an older one where it reaches, whatever its step."""
    old = [point(hour, 1.0, issued=12) for hour in range(24)]
    new = [point(hour / 2, 2.0, issued=1) for hour in range(20, 28)]
    kw = values_by_minute([*new, *old], None, DAY, DAY + 1440)
    assert set(kw[: 10 * 60]) == {1.0}
    assert set(kw[10 * 60 : 14 * 60]) == {2.0}
    assert set(kw[14 * 60 :]) == {1.0}


def test_a_gap_in_a_forecast_is_no_sun() -> None:
    """A missing hour counts as nothing, unless step_minutes says that values hold longer."""
    points = [point(hour, 2.0) for hour in (9, 10, 11, 13, 14)]
    for step, at_noon in ((None, 0.0), (120, 2.0)):
        outlook = Outlook(
            generation(forecast={} if step is None else {"step_minutes": step}), ZONE, tuple(points)
        )
        assert outlook.expected_kw(DAY, DAY + 1440)[12 * 60 + 30] == at_noon
        assert outlook.known_until == MIDNIGHT + 14 * HOUR + timedelta(minutes=step or 60)


def test_a_plan_counts_on_a_share() -> None:
    """80 % unless told otherwise; with 0 % there is no sun for it."""
    for keys, share in (({}, 0.8), ({"trust_percent": 0}, 0.0)):
        outlook = Outlook(generation(forecast={}, **keys), ZONE, (point(12, 3.0),))
        assert outlook.counted_kw(DAY + 720, DAY + 721) == pytest.approx(3 * share)


def test_a_forecast_goes_before_the_sky() -> None:
    """With a forecast declared, a clear sky counts only once the meter has shown how clear."""
    both = generation(**AUCKLAND, forecast={})
    noon = slice(13 * 60, 13 * 60 + 1)
    dull = Outlook(both, ZONE, (point(13, 0.4),)).expected_kw(DAY, DAY + 1440)
    assert dull[noon] == 0.4
    assert dull[15 * 60] == 0
    shown = Outlook(both, ZONE, (), (0.5,) * 24).expected_kw(DAY, DAY + 1440)
    assert shown == pytest.approx(clear_sky_kw(both, DAY, DAY + 1440) / 2)


def test_the_meter_lowers_each_hour_by_what_it_has_shown() -> None:
    """Shade until 10:00 on each of 20 days is expected on the next one; other hours stay."""
    declared = generation(**AUCKLAND)
    hours = []
    for hour in range(-20 * 24, 0):
        start = MIDNIGHT + hour * HOUR
        clear = clear_sky_kw(declared, minute_of(start), minute_of(start) + 60).mean()
        part = 0.25 if start.astimezone(ZONE).hour < 10 else 0.9
        hours.append(GenerationHour(start, float(clear) * 1000 * part))
    shares = learned_shares(hours, declared, MIDNIGHT, ZONE)
    kw = Outlook(declared, ZONE, (), shares).expected_kw(DAY, DAY + 1440)
    clear = clear_sky_kw(declared, DAY, DAY + 1440)
    assert kw[9 * 60 : 10 * 60] == pytest.approx(clear[9 * 60 : 10 * 60] * 0.25)
    assert kw[12 * 60 : 13 * 60] == pytest.approx(clear[12 * 60 : 13 * 60] * 0.9)
    assert learned_shares(hours[-5 * 24 :], declared, MIDNIGHT, ZONE) == ()  # too few days
    assert learned_shares(hours, declared, MIDNIGHT + timedelta(weeks=5), ZONE) == ()  # too old


def test_a_share_is_never_above_the_sky() -> None:
    """A meter that shows more than a clear sky is counted as a clear sky."""
    hours = [GenerationHour(MIDNIGHT - hour * HOUR, 50_000.0) for hour in range(1, 10 * 24)]
    assert max(learned_shares(hours, generation(**AUCKLAND), MIDNIGHT, ZONE)) == 1.0


@pytest.mark.parametrize(
    ("points", "words"),
    [
        ([point(12, 5000.0)], "are the values in watts"),
        ([point(12, 6.6)], "more than the 6.5 kW that these roofs can give"),
        ([point(hour, 5.0 * (hour == 1)) for hour in range(24)], "the sun is below the horizon"),
        ([point(hour + 12, 3.0) for hour in range(10)], "those of another zone"),
    ],
)
def test_what_can_not_be_true_is_doubted(points: list[ForecastPoint], words: str) -> None:
    """Watts for kilowatts, more than the roofs, nights of 5 kW, a day of another zone."""
    doubt = forecast_doubt(points, generation(**AUCKLAND))
    assert doubt is not None
    assert words in doubt.why


def test_what_may_be_true_is_not_doubted() -> None:
    """A day with a little noise at night; anything, where no place is declared."""
    day = [point(hour, 3.0 if 6 <= hour <= 20 else 0.05) for hour in range(24)]
    assert forecast_doubt(day, generation(**AUCKLAND)) is None
    assert forecast_doubt([point(1, 5.0)], generation(forecast={})) is None
    assert forecast_doubt([], generation(**AUCKLAND)) is None


def test_time_is_divided_as_it_comes() -> None:
    """Any minutes of a day are those of the whole day."""
    outlook = Outlook(generation(**AUCKLAND), ZONE, (point(12, 2.0),), (0.7,) * 24)
    whole = outlook.expected_kw(DAY, DAY + 1440)
    parts = [outlook.expected_kw(DAY + first, DAY + last)
             for first, last in ((0, 613), (613, 614), (614, 1440))]  # fmt: skip
    assert np.array_equal(np.concatenate(parts), whole)
    assert not len(outlook.expected_kw(DAY, DAY))


def readings(sun: Outlook, part: float, minutes: range) -> Recent:
    """Let a meter report a part of what is expected, minute by minute."""
    recent = Recent()
    for minute in minutes:
        kw = float(replace(sun, correction=None).expected_kw(minute, minute + 1)[0])
        recent = with_reading(recent, 1000 * kw * part, instant_of(minute), sun)
    return recent


def test_clouds_that_nobody_expected_last_for_a_while() -> None:
    """Half of what was expected for half an hour: the next hours are corrected, less and less."""
    sun = Outlook(generation(**AUCKLAND), ZONE)
    noon = DAY + 13 * 60
    recent = readings(sun, 0.5, range(noon - 40, noon))
    assert recent.correction is not None
    assert recent.correction.factor == pytest.approx(0.5)
    clear = sun.expected_kw(DAY, DAY + 1440)
    seen = replace(sun, correction=recent.correction).expected_kw(DAY, DAY + 1440)
    begins = recent.correction.minute - DAY
    assert seen[:begins] == pytest.approx(clear[:begins])
    assert seen[begins] == pytest.approx(clear[begins] / 2)
    assert seen[begins + 90] == pytest.approx(clear[begins + 90] * 0.75)
    assert seen[begins + 180 :] == pytest.approx(clear[begins + 180 :])


@pytest.mark.parametrize(
    ("part", "minutes"),
    [(0.9, range(760, 800)), (0.1, range(785, 800)), (0.1, range(300, 340))],
    ids=["as expected", "too short", "before dawn"],
)
def test_what_differs_little_or_briefly_corrects_nothing(part: float, minutes: range) -> None:
    """A tenth less, a cloud of a quarter of an hour, or the first light."""
    sun = Outlook(generation(**AUCKLAND), ZONE)
    shifted = range(DAY + minutes.start, DAY + minutes.stop)
    assert readings(sun, part, shifted).correction is None
