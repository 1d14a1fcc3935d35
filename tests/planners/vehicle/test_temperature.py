"""Consumption by temperature: the published fit, and a year of months with it."""

from __future__ import annotations

import numpy as np
import pytest

from planners.appraisal.appraising import appraise
from planners.vehicle.temperature import kwh_per_mile, times_at
from planners.year.driving_days import driving_of
from tests.planners.appraised import choice, choices_file

SAN_FRANCISCO = (10.7, 12.2, 12.9, 13.7, 14.6, 15.8, 16.2, 16.8, 17.3, 16.6, 13.9, 10.8)
MINNEAPOLIS = (-9.0, -6.5, 0.6, 8.4, 15.1, 20.6, 23.2, 21.9, 17.3, 9.9, 1.4, -6.4)
"""Climate normals [°C], from memory."""


def test_the_fit_is_the_published_one() -> None:
    """Its polynomial at 68 °F by hand; it stays what it is beyond -15 and 110 °F."""
    hand = 0.395 - 0.0022 * 68 + 9.1978e-5 * 68**2 - 3.9249e-6 * 68**3
    hand += 5.2918e-8 * 68**4 - 2.0659e-10 * 68**5
    assert kwh_per_mile(20.0) == pytest.approx(hand)
    assert kwh_per_mile(-40.0) == kwh_per_mile(-26.2)
    assert kwh_per_mile(60.0) == kwh_per_mile(43.4)


def test_the_upper_midwest_takes_some_15_percent_more_than_the_coast() -> None:
    """So says the abstract of Yuksel and Michalek (2015), by the hour; here by months."""
    means = [
        np.mean([kwh_per_mile(each) for each in city]) for city in (MINNEAPOLIS, SAN_FRANCISCO)
    ]
    assert means[0] / means[1] == pytest.approx(1.15, abs=0.05)


def test_each_trip_takes_what_its_month_takes() -> None:
    """The distance stays; a mild year changes nothing; the report names fit and months."""
    keys = {"monthly_mean_celsius": MINNEAPOLIS, "source": "climate normals"}
    cold = choices_file(choice("one"), temperature=keys, tick_minutes=60)
    mild = choices_file(choice("one"), temperature={"monthly_mean_celsius": (20.0,) * 12})
    plain = choices_file(choice("one"))
    trips = driving_of(cold).trips
    assert trips[0].kwh == pytest.approx(driving_of(plain).trips[0].kwh * times_at(-9.0, 20.0))
    assert driving_of(mild) == driving_of(plain)
    found = appraise(cold, {})
    assert found.distance_km == pytest.approx(15_000)
    assert found.trips_kwh == pytest.approx(sum(trip.kwh for trip in trips))
    assert found.trips_kwh > 1.1 * 15_000 * 0.165
    (sentence,) = [each for each in found.assumptions if "Yuksel and Michalek" in each]
    assert "(climate normals): from 1.00 times what is declared in" in sentence
    assert f"to {times_at(-9.0, 20.0):.2f} times in" in sentence
    assert dict(found.inputs)["temperature"].endswith("consumption holds at 20 °C")
