"""Households for tests: a plain valid one, in which a test changes what it needs."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path
from typing import Any

from config.household.household_file import HouseholdFile
from planners.rates.prices import Prices, prices_of

HERE = Path(__file__).parent


def bands(*rows: dict[str, Any], **keys: object) -> dict[str, Any]:
    """Make a tariff of bands, as in a household file."""
    return {"name": "Bands", "bands": list(rows), **keys}


def band(name: str, rate: str = "0.20", **keys: object) -> dict[str, Any]:
    """Make one band of a tariff."""
    return {"name": name, "rate": Decimal(rate), **keys}


def series(**keys: object) -> dict[str, Any]:
    """Make a tariff of prices; its file is never read, as tests pass the prices in."""
    prices: dict[str, object] = {"file": "prices.csv", "step_minutes": 60}
    own = ("step_minutes", "multiply", "add", "at_most", "at_least")
    prices |= {key: keys.pop(key) for key in own if key in keys}
    return {"name": "Series", "prices": prices, **keys}


def household(
    zone: str = "Pacific/Auckland",
    tariffs: list[dict[str, Any]] | None = None,
    departures: list[dict[str, Any]] | None = None,
    public_holidays: str | None = None,
    plugged_in: str | None = None,
) -> HouseholdFile:
    """Make a household with one charge point and two vehicles."""
    point: dict[str, Any] = {"charging_mode": 3, "max_amps": 32.0, "switching": "current"}
    if plugged_in is not None:
        point["plugged_in"] = plugged_in
    home = {"name": "Kowhai Cottage", "timezone": zone, "currency": "NZD"}
    if public_holidays is not None:
        home["public_holidays"] = public_holidays
    return HouseholdFile.model_validate(
        {
            "household": home,
            "tariffs": tariffs or [bands(band("all"))],
            "charge_points": {"driveway": point},
            "vehicles": {
                "hatchback": {
                    "charge_point": "driveway",
                    "usable_kwh": 52.0,
                    "everyday_limit_percent": 80.0,
                },
                "van": {"charge_point": "driveway", "usable_kwh": 70.0, "chemistry": "lfp"},
            },
            "departures": departures or [],
            "bus": {"broker": "mqtt://127.0.0.1:1883"},
            "ledger": {"path": "ledger.sqlite3"},
        },
        context={"directory": HERE},
    )


def band_prices(
    zone: str, *rows: dict[str, Any], public_holidays: str | None = None, **keys: object
) -> Prices:
    """Make the prices of a household with one tariff of bands."""
    file = household(zone, [bands(*rows, **keys)], public_holidays=public_holidays)
    return prices_of(file, {})
