"""The month of each example adds up to a bill that is reckoned by hand here.

The bill of the stepped capacity fee is in ``test_capacity``. The structures are published ones: see
``tests/outside/test_tariff_structures``.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import datetime
from decimal import Decimal
from functools import reduce
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from tests.daemon.month.recorded import hour, recorded
from tests.support.commands import Ran

Run = Callable[..., Ran]


class Bill(NamedTuple):
    """What is charged in hours of a month, what each band costs, and the days of the month."""

    month: str
    charged: list[dict[datetime, int]]
    bands: dict[str, str]
    standing: str
    estimated_kwh: str = "0.0"


def april(day: int, at: int, wh: int) -> dict[datetime, int]:
    return hour(day, at, wh, month=4)


def june(day: int, at: int, wh: int) -> dict[datetime, int]:
    return hour(day, at, wh, month=6)


def december(day: int, at: int, wh: int) -> dict[datetime, int]:
    return hour(day, at, wh, month=12)


BILLS: dict[str, Bill] = {
    # The night is 00:30 to 07:30 by standard time: 01:30 to 08:30 by the clock of June. Of 4 kWh
    # from 01:00 and 5 kWh from 08:00, one half each is night: 4.5 kWh x 0.124 x 1.05. The other
    # 4.5 kWh x 0.301 x 1.05. Standing charge: 30 x 0.52 x 1.05.
    "two-rates": Bill(
        "2026-06",
        [june(2, 1, 4000), june(4, 8, 5000)],
        {"night": "0.5859", "day": "1.422225"},
        "16.38",
    ),
    # Good Friday, 3 April, is a quiet day: 4 kWh x 0.29 at ten, and on Saturday 5 x 0.29. Evenings
    # cost 0.45 on it too: 6 kWh. Monday noon: 4 x 0.36. Late night: 7 x 0.24. 30 days x 0.40.
    "seasons-and-weekends": Bill(
        "2026-04",
        [april(3, 10, 4000), april(3, 17, 6000), april(4, 10, 5000), april(6, 12, 4000),
         april(7, 2, 7000)],
        {"weekend": "2.61", "evening": "2.70", "day": "1.44", "late night": "1.68"},
        "12.00",
    ),
    # 7 kWh at noon cost nothing. 2 kWh x 0.52 x 1.10 in the evening, 5 x 0.31 x 1.10 at night. 31
    # days x 1.10 x 1.10.
    "free-noon": Bill(
        "2026-10",
        [hour(3, 12, 7000), hour(5, 17, 2000), hour(6, 1, 5000)],
        {"free noon": "0", "peak": "1.144", "other hours": "1.705"},
        "37.51",
    ),
    # A day ends at 06:00 of the next date: 5 o'clock on the 2nd is of the raised 1st, on the 4th of
    # the costly 3rd. 4 x 0.149, 6 x 0.157, 3 x 0.706. The 4th and the 7th are usual: 5 x 0.132 and
    # 1 x 0.161. Sunday the 6th can be nothing but usual: 2 x 0.161. Friday the 11th is not
    # announced: taken for costly, 1 x 0.706, an estimate. 31 days x 0.46.
    "announced-days": Bill(
        "2026-12",
        [december(2, 5, 4000), december(3, 7, 3000), december(4, 5, 6000), december(4, 23, 5000),
         december(6, 12, 2000), december(7, 21, 1000), december(11, 8, 1000)],
        {"raised night": "0.596", "costly night": "0.942", "costly day": "2.824",
         "usual night": "0.66", "usual day": "0.483"},
        "14.26",
        "1.0",
    ),
    # Thursday 1 October, 18:00 and 18:30, 2 kWh each, at market prices of 0.1889 and 0.1954 in the
    # busy hours: (0.1889 + 0.012 + 0.118 x 0.98 + 0.0018) x 1.15 = 0.366091, and 0.373566. Friday
    # 03:00 and 03:30, 3 kWh each, at 0.0652 and 0.0657 in the quiet hours: (0.0652 + 0.012 + 0.041
    # x 0.98 + 0.0018) x 1.15 = 0.137057, and 0.137632. 31 days x 1.20 x 0.98 x 1.15.
    "market-and-network": Bill(
        "2026-10",
        [hour(1, 18, 4000), hour(2, 3, 6000)],
        {"price": "2.303381"},
        "41.92",
    ),
}  # fmt: skip


@pytest.mark.parametrize("example", BILLS)
def test_a_month_is_the_bill_by_hand(example: str, tmp_path: Path, run: Run) -> None:
    """Energy by bands, what rests on estimates, and the standing charge."""
    bill = BILLS[example]
    charged: dict[datetime, int] = reduce(lambda one, other: one | other, bill.charged)
    file = recorded(tmp_path, example, charged)
    ran = run("month", str(file), bill.month, "--format", "json")
    assert (ran.code, ran.err) == (0, "")
    found: dict[str, Any] = json.loads(ran.out, parse_float=Decimal)
    costs: dict[str, Decimal] = {}
    for line in found["by_band"]:
        costs[line["band"]] = costs.get(line["band"], Decimal(0)) + line["cost"]
    assert costs == {band: Decimal(cost) for band, cost in bill.bands.items()}
    assert found["cost_exact"] == sum(map(Decimal, bill.bands.values()))
    assert found["standing_charge"] == Decimal(bill.standing)
    assert found["estimated_rate_kwh"] == Decimal(bill.estimated_kwh)
