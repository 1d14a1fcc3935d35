"""Estimate how much more a vehicle consumes when it is cold or hot.

The fit is that of Yuksel and Michalek, Effects of Regional Temperature on Electric Vehicle
Efficiency, Range, and Emissions in the United States, Environmental Science and Technology 49
(2015), pages 3974 to 3980: kWh per mile as a polynomial of the air's temperature in degrees
Fahrenheit, from trips of one model (from memory; coefficients and limits as public code quotes
them). Only its ratio between two temperatures is used here.
"""

from __future__ import annotations

from typing import Final

import numpy as np

COEFFICIENTS: Final = (0.3950, -0.0022, 9.1978e-5, -3.9249e-6, 5.2918e-8, -2.0659e-10)
"""Of the powers of the temperature, the constant first [kWh per mile, degrees Fahrenheit]."""
LEAST_F, MOST_F = -15.0, 110.0
"""The fit holds between these; beyond them it stays what it is there [degrees Fahrenheit]."""


def kwh_per_mile(celsius: float) -> float:
    """Return what the fit gives for one mile at a temperature [kWh]."""
    fahrenheit = min(MOST_F, max(LEAST_F, celsius * 9 / 5 + 32))
    return float(np.polynomial.polynomial.polyval(fahrenheit, COEFFICIENTS))


def times_at(celsius: float, declared_at: float) -> float:
    """Return how many times the consumption declared for one temperature it is at another."""
    return kwh_per_mile(celsius) / kwh_per_mile(declared_at)
