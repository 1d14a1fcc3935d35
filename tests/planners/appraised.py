"""Build choices files for tests: a small valid one, of which a test changes a part.

Keys are those of a choices file; nights are cheap and ticks long, so that a year takes little time.
"""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path
from typing import Any

from config.choices.choices_file import ChoicesFile

Keys = dict[str, Any]

DAILY = {"distance_per_year": "15000 km", "leaves": "07:20", "returns": "18:10"}
WANTED: Keys = {"need_percent": 40.0, "want_percent": 80.0, "max_rate": Decimal("0.25")}


def flat(rate: str = "0.28", **keys: object) -> Keys:
    """Return a tariff of one rate."""
    return {"name": "Flat", "bands": [{"name": "all day", "rate": Decimal(rate)}], **keys}


def cheap_night(rate: str = "0.12", day: str = "0.32", **keys: object) -> Keys:
    """Return a tariff with a cheap band from 23:00 to 06:00."""
    night = {"name": "night", "rate": Decimal(rate), "hours": ["23:00-06:00"]}
    return {
        "name": "Night",
        "bands": [night, {"name": "day", "rate": Decimal(day)}],
        **keys,
    }


def price_series(**keys: object) -> Keys:
    """Return a tariff of prices; its file is never read, since tests pass the prices."""
    return {"name": "Series", "prices": {"file": "prices.csv", "step_minutes": 60, **keys}}


def socket(**keys: object) -> Keys:
    return {"charging_mode": 2, "max_amps": 10.0, "switching": "on_off", **keys}


def point(**keys: object) -> Keys:
    return {"charging_mode": 3, "max_amps": 32.0, "switching": "on_off", **keys}


def roofs(*, kwh_per_kwp: float = 1350.0, **keys: object) -> Keys:
    """Return 6 kW of roofs to the north, near Wellington, with a year of weather."""
    return {
        "latitude": -41.3,
        "longitude": 174.8,
        "roofs": [{"peak_kw": 6.0, "tilt_degrees": 25.0, "azimuth_degrees": 0.0}],
        "weather": {"yearly_kwh_per_kwp": kwh_per_kwp, "source": "an offer"},
        **keys,
    }


def choice(name: str, tariff: Keys | None = None, **keys: object) -> Keys:
    """Return a choice: a charge point at one rate, 40 percent needed."""
    own = {"tariff": tariff or flat(), "charge_point": point(), "need_percent": 40.0}
    return {"name": name, **own, **keys}


def choices_file(
    *choices: Keys,
    driving: Keys | None = None,
    vehicle: Keys | None = None,
    home_use: list[Keys] | None = None,
    generation: Keys | None = None,
    **appraisal: object,
) -> ChoicesFile:
    """Put a choices file together, and check it."""
    home = {
        "name": "Kowhai Cottage",
        "year": 2027,
        "timezone": "Pacific/Auckland",
        "currency": "NZD",
        "tick_minutes": 30,
        "keep_years": 8.0,
    }
    car = {"usable_kwh": 52.0, "chemistry": "nmc", "kwh_per_100km": 16.5}
    return ChoicesFile.model_validate(
        {
            "appraisal": home | appraisal,
            "vehicle": car | (vehicle or {}),
            "driving": driving or DAILY,
            "home_use": home_use or [],
            "generation": generation,
            "choices": list(choices),
        },
        context={"directory": Path("here")},
    )
