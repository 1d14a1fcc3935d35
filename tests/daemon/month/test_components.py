"""A month on a composed tariff says what each part of its cost was for; reckoned by hand here."""

from __future__ import annotations

import json
from datetime import timedelta
from decimal import Decimal
from pathlib import Path

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


def test_text_and_page_say_it(tmp_path: Path, run: Run) -> None:
    """One line each, below the cost."""
    file = parts(tmp_path)
    text = " ".join(month_of(file, run).out.split())
    assert "of this NOK 0.70 energy NOK 0.65 network fee NOK 0.13 levy NOK 0.37 VAT" in text
    assert "NOK 0.65 network fee" in month_of(file, run, "2026-10", "--format", "html").out


def test_a_plain_tariff_has_no_parts(tmp_path: Path, run: Run) -> None:
    """Nor does one with tiers, whose rates hang on a month's use."""
    charged = {local(2026, 10, 2, 2): 1000}
    plain = recorded(tmp_path, "highest-hours", charged)
    assert json.loads(month_of(plain, run, "2026-10", "--format", "json").out)["by_component"] == []
