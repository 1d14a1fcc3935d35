"""A typical year held to published sums of sun on a level and on a tilted plane."""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from config.choices.own_roof import AppraisedGeneration
from planners.generation.typical_year import typical_year
from planners.local_time.conversion import minute_of

LEVEL = (1.81, 2.77, 3.92, 4.66, 5.44, 6.28, 6.56, 5.67, 4.51, 2.96, 2.00, 1.56)
TILTED = (3.20, 4.07, 4.84, 4.78, 4.99, 5.46, 5.83, 5.59, 5.21, 4.10, 3.35, 2.95)
TILTED_YEAR = 4.53
"""Mean sun of a day in each month at 42.075 N, 1.821 E, 1983 to 2005, on a level plane and on one
tilted by 42 degrees to the south, and the mean of the second over the year [kWh per m2]: NASA,
Surface meteorology and Solar Energy (release 6), as kept in doc/lib/pv_energy.rst of the repository
paucoma/MH-Moli. Its tilted planes are reckoned from monthly means, ours day by day."""


def test_the_sun_on_a_tilted_plane_is_the_published_one() -> None:
    """From the level plane's months: the year within 4 %, and each month within a sixth."""
    roof = {"peak_kw": 1.0, "tilt_degrees": 42.0, "azimuth_degrees": 180.0, "losses_percent": 0.0}
    declared = AppraisedGeneration.model_validate(
        {
            "latitude": 42.075,
            "longitude": 1.821,
            "roofs": [roof],
            "weather": {"daily_sun_kwh_per_m2": list(LEVEL)},
        },
        context={"directory": Path("here")},
    )
    year = typical_year(declared, ZoneInfo("Etc/GMT"), 2027)
    days = year.means(minute_of(datetime(2027, 1, 1, tzinfo=UTC)), 365, 1440) * 24
    months = np.array(
        [date.fromordinal(date(2027, 1, 1).toordinal() + n).month for n in range(365)]
    )
    found = [float(days[months == month].mean()) for month in range(1, 13)]
    assert days.mean() == pytest.approx(TILTED_YEAR, rel=0.04)
    assert found == pytest.approx(TILTED, rel=1 / 6)
    # What a tilted plane gains in winter and loses in summer has the published sign.
    gains = [tilted > level for tilted, level in zip(found, LEVEL, strict=True)]
    assert gains == [tilted > level for tilted, level in zip(TILTED, LEVEL, strict=True)]
