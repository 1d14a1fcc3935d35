"""What a month's minimum bill adds, with and without charging."""

from __future__ import annotations

import json
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from tests.daemon.month.recorded import hour, recorded
from tests.support.commands import Ran

Run = Callable[..., Ran]

TARIFF = """tariffs:
  - name: Minimum
    fees: [{{name: fixed charge, amount: 10, per: month}}]
    bands: [{{name: all day, rate: 0.15}}]
    minimum_bill: {{amount: {amount}, {more}}}
"""


def month_with(
    tmp_path: Path, run: Run, kwh: int, *, amount: str = "20", more: str = "per: month"
) -> dict[str, Any]:
    """Read a month in which so much was charged."""
    charged = hour(2, 1, 1000 * kwh)
    tariff = TARIFF.format(amount=amount, more=more)
    file = recorded(tmp_path, "plug", charged, tariff=tariff)
    ran = run("month", str(file), "2026-10", "--format", "json")
    assert (ran.code, ran.err) == (0, "")
    found: dict[str, Any] = json.loads(ran.out, parse_float=Decimal)
    return found


@pytest.mark.parametrize(("kwh", "top_up"), [(50, "2.50"), (150, "0.00")])
def test_a_published_example(kwh: int, top_up: str, tmp_path: Path, run: Run) -> None:
    """Customers A and B of "Fixed Charge vs Minimum Bill", Aurora Solar help centre.

    A fixed charge of $10, $0.15 per kWh and a minimum bill of $20 a month: 50 kWh come to $17.50
    and so to $20, 150 kWh to $32.50. Here all of it is charging.
    """
    found = month_with(tmp_path, run, kwh)
    assert found["minimum_bills"] == [
        {
            "charge_points": [],
            "least": Decimal(20),
            "top_up": Decimal(top_up),
            "top_up_without_charging": Decimal(10),
        }
    ]
    assert found["cost"] == Decimal("0.15") * kwh


def test_of_energy_alone_by_the_day_beside_the_rest_of_the_home(tmp_path: Path, run: Run) -> None:
    """31 days of 0.40 are 12.40; the home's energy makes 5 of it, and 20 kWh make 3 more.

    A minimum of the energy charge by the days of a bill is that of the worked rate "Calculated
    Minimum Charges" of the Oracle Utilities billing guide ($0.15 a day there).
    """
    more = "per: day, of: energy, home_energy: 5"
    found = month_with(tmp_path, run, 20, amount="0.40", more=more)
    (bill,) = found["minimum_bills"]
    assert [bill["least"], bill["top_up"], bill["top_up_without_charging"]] == [
        Decimal("12.40"),
        Decimal("4.40"),
        Decimal("7.40"),
    ]


def test_it_is_said_and_compared(tmp_path: Path, run: Run) -> None:
    """The text has its line and adds it up; `check` explains it; a bill's row agrees."""
    month_with(tmp_path, run, 50)
    file, bill = str(tmp_path / "house.yaml"), tmp_path / "bill.csv"
    bill.write_text("band,kwh,cost\nall day,50,7.50\nstanding_charge,,10\nminimum_bill,,2.50\n")
    ran = run("month", file, "2026-10", "--bill", str(bill))
    assert ran.code == 0
    text = " ".join(ran.out.split())
    assert "minimum bill NZD 2.50 on top, up to NZD 20.00; NZD 10.00 without charging" in text
    assert "together NZD 20.00" in text
    assert "Every band agrees" in text
    assert "Minimum bill: 20 NZD a month." in run("check", file).out
