"""A month of a charge point with a meter of its own: its rates, both standing charges, its bill."""

from __future__ import annotations

import json
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path
from typing import Any

from tests.daemon.month.recorded import hour, recorded
from tests.support.commands import Ran

Run = Callable[..., Ran]

CHARGER_ONLY = """tariffs:
  - name: Standard residential
    standing_charge: 0.58915
    bands: [{name: all day, rate: 0.13213}]
  - name: Controlled circuit
    fees: [{name: service and administration, amount: 20, per: month}]
    bands:
      - {name: on-peak, rate: 0.25145, hours: ["12:00-20:00"],
         days: [mon, tue, wed, thu, fri], months: [jun, jul, aug, sep]}
      - {name: off-peak, rate: 0.06223, hours: ["00:00-08:00"]}
      - {name: intermediate, rate: 0.13786}
"""
"""Wisconsin Public Service, "EV program pricing", a page of its site: Charger-Only (COEV-R), where
"the EV charger is billed on an EV-specific Time-of-Use rate" and "the rest of your home's electric
load remains on the standard rate" (Rg-1). Its on-peak hours leave out holidays, of which the week
of the test has none."""


def month_of(file: Path, month: str, run: Run, *options: str) -> dict[str, Any]:
    ran = run("month", str(file), month, "--format", "json", *options)
    assert (ran.code, ran.err) == (0, "")
    found: dict[str, Any] = json.loads(ran.out, parse_float=Decimal)
    return found


def test_a_charger_on_a_rate_of_its_own_beside_the_homes(tmp_path: Path, run: Run) -> None:
    """By hand: 4 kWh x 0.25145, 5 x 0.13786 and 20 x 0.06223; 31 x 0.58915 and 20 fixed."""
    charged = hour(7, 13, 4000, month=7) | hour(7, 21, 5000, month=7) | hour(8, 2, 20_000, month=7)
    file = recorded(tmp_path, "controlled-circuit", charged, tariff=CHARGER_ONLY)
    found = month_of(file, "2026-07", run)
    by_band = {line["band"]: line["cost"] for line in found["by_band"]}
    assert by_band == {
        "on-peak": Decimal("1.0058"),
        "intermediate": Decimal("0.6893"),
        "off-peak": Decimal("1.2446"),
    }
    assert found["cost"] == Decimal("2.94")
    assert found["standing_charge"] == Decimal("38.26")
    ran = run("nights", str(file), "--format", "json")
    assert json.loads(ran.out, parse_float=Decimal)["nights"][0]["standing_charge"] == Decimal(
        "0.65"
    )  # 20 a month, on one of 31 days


def test_the_bill_of_either_meter(tmp_path: Path, run: Run) -> None:
    """5 kWh on the circuit at 0.158 and 10 % of tax; the home's bill has none of it."""
    charged = hour(2, 23, 5000, month=6)
    file = recorded(tmp_path, "controlled-circuit", charged)
    bill = tmp_path / "bill.csv"
    bill.write_text("band,kwh,cost\ncontrolled,5,0.869\nstanding_charge,,3.96\n", "utf-8")
    own = month_of(file, "2026-06", run, "--bill", str(bill), "--charge-point", "driveway")
    assert [line["difference_cost"] for line in own["bill"]["bands"]] == [0, 0]
    assert own["standing_charge"] == Decimal("40.26")  # 30 x (1.10 + 0.12) x 1.1
    home = month_of(file, "2026-06", run, "--bill", str(bill))
    causes = {line["band"]: line["ours_kwh"] for line in home["bill"]["bands"]}
    assert causes["controlled"] is None
    alone = run("month", str(file), "2026-06", "--charge-point", "driveway")
    assert (alone.code, alone.err) == (2, "--charge-point: expected --bill beside it\n")
