"""A year of nights in a ledger: invented, each of another amount."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from typing import TYPE_CHECKING

from adapters.contract.table import BUS_TOPICS

if TYPE_CHECKING:
    from datetime import date, datetime

    from adapters.ledger.ledger import Ledger

NIGHTS = 330
_RATE = Decimal("0.1932")


def fill_a_year(
    ledger: Ledger, last: date, now: datetime, *, point: str = "driveway", nights: int = NIGHTS
) -> None:
    """Close every night up to one, with more energy in some than in others."""
    [example] = [dict(topic.examples[0]) for topic in BUS_TOPICS if topic.name == "night"]
    for back in range(nights):
        night = last - timedelta(days=back)
        kwh = Decimal(4 + (night.day * 7 + night.month * 5) % 23)
        body = example | {
            "night": night.isoformat(),
            "charge_point": point,
            "energy_kwh": kwh,
            "cost": _cents(kwh * _RATE),
            "by_band": [{"band": "night", "rate": _RATE, "kwh": kwh, "cost": kwh * _RATE}],
            "estimated_kwh": Decimal(0),
            "baselines": {
                rule: each | {"cost": _cents(kwh * _RATE + (kwh / 5 if rule == "at_once" else 0))}
                for rule, each in example["baselines"].items()
            },
        }
        ledger.close_night(night, point, "hatchback", now, body)


def _cents(amount: Decimal) -> Decimal:
    return amount.quantize(Decimal("0.01"))
