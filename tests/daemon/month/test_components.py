"""A month on a composed tariff says what each part of its cost was for; reckoned by hand here."""

from __future__ import annotations

import json
from datetime import timedelta
from decimal import Decimal
from pathlib import Path

import pytest

from tests.daemon.month.recorded import local, recorded
from tests.daemon.month.test_capacity import Run, json_of, month_of

QUARTER = timedelta(minutes=15)
TARIFF = """tariffs:
  - name: Parts
    components:
      - {name: energy, rate: 0.10}
      - name: network fee
        bands:
          - {name: busy, rate: 0.20, hours: ["07:00-21:00"]}
          - {name: quiet, rate: 0.05}
      - {name: levy, rate: 0.02, valid_to: 2026-10-04}
      - {name: levy, rate: 0.01, valid_from: 2026-10-05}
    percentages:
      - {name: VAT, percent: 25}
"""


def parts(directory: Path) -> Path:
    """Record 4 kWh at 02:00 on 2 October, 2 kWh at 08:00 on the 3rd, and 1 kWh on the 6th."""
    charged = {local(2026, 10, 2, 2) + n * QUARTER: 1000 for n in range(4)}
    charged |= {local(2026, 10, 3, 8) + n * QUARTER: 500 for n in range(4)}
    charged |= {local(2026, 10, 6, 3) + n * QUARTER: 250 for n in range(4)}
    return recorded(directory, "highest-hours", charged, tariff=TARIFF)


def test_each_part_is_what_a_bill_would_say(tmp_path: Path, run: Run) -> None:
    """By hand: 7 kWh x 0.10, 5 x 0.05 + 2 x 0.20, 6 x 0.02 + 0.01; a quarter of the sum is VAT."""
    document = json_of(parts(tmp_path), run)
    found = {each["name"]: each["cost"] for each in document["by_component"]}
    assert found == {
        "energy": Decimal("0.70"),
        "network fee": Decimal("0.65"),
        "levy": Decimal("0.13"),
        "VAT": Decimal("0.37"),
    }
    assert sum(found.values()) == document["cost"] == Decimal("1.85")


@pytest.mark.usefixtures("undrawn")
def test_text_and_page_say_it(tmp_path: Path, run: Run) -> None:
    """One line each, below the cost."""
    file = parts(tmp_path)
    text = " ".join(month_of(file, run).out.split())
    assert "of this NOK 0.70 energy NOK 0.65 network fee NOK 0.13 levy NOK 0.37 VAT" in text
    assert "NOK 0.65 network fee" in month_of(file, run, "2026-10", "--format", "html").out


BLOCKS = """tariffs:
  - name: Blocks
    fees: [{name: base charge, amount: 7.50, per: month}]
    tiers_per: month
    usual_kwh: 0
    components:
      - name: energy
        tiers: [{up_to_kwh: 250, rate: 0.064}, {up_to_kwh: 700, rate: 0.049}, {rate: 0.0446}]
      - {name: power cost, rate: 0.085}
    percentages: [{name: tax, percent: 1}]
"""
"""City of Seymour (Wisconsin), "Residential Electricity: Bill Comparison", a page of its utilities
department: a winter month of 1,200 kWh comes to $171.55."""


def test_a_published_bill_in_blocks(tmp_path: Path, run: Run) -> None:
    """250 x 0.064 + 450 x 0.049 + 500 x 0.0446, 1200 x 0.085, and 1 % of tax on both."""
    quarters = (local(2026, 1, day, 23) + n * QUARTER for day in range(1, 31) for n in range(32))
    file = recorded(tmp_path, "highest-hours", dict.fromkeys(quarters, 1250), 31, tariff=BLOCKS)
    ran = run("month", str(file), "2026-01", "--format", "json")
    document = json.loads(ran.out, parse_float=Decimal)
    assert {each["name"]: each["cost"] for each in document["by_component"]} == {
        "energy": Decimal("60.35"),
        "power cost": Decimal("102.00"),
        "tax": Decimal("1.62"),
    }
    assert round(document["cost_exact"] + Decimal("7.50") * Decimal("1.01"), 2) == Decimal("171.55")


def test_blocks_for_each_day_of_a_month(tmp_path: Path, run: Run) -> None:
    """The same bill with ends that are a thirty-first of it, all three by the day."""
    blocks = BLOCKS.replace("tiers_per: month", "tiers_per: days_of_month")
    blocks = blocks.replace("up_to_kwh: 250", "up_to_kwh: 10").replace("700", "20")
    quarters = (local(2026, 1, day, 23) + n * QUARTER for day in range(1, 31) for n in range(32))
    file = recorded(tmp_path, "highest-hours", dict.fromkeys(quarters, 1250), 31, tariff=blocks)
    ran = run("month", str(file), "2026-01", "--format", "json")
    document = json.loads(ran.out, parse_float=Decimal)
    by_name = {each["name"]: each["cost"] for each in document["by_component"]}
    # 310 x 0.064 + 310 x 0.049 + 580 x 0.0446
    assert by_name["energy"] == Decimal("60.90")
    assert sum(by_name.values()) == document["cost"]


def test_a_plain_tariff_has_no_parts(tmp_path: Path, run: Run) -> None:
    """Its cost is one."""
    charged = {local(2026, 10, 2, 2): 1000}
    plain = recorded(tmp_path, "highest-hours", charged)
    assert json.loads(month_of(plain, run, "2026-10", "--format", "json").out)["by_component"] == []
