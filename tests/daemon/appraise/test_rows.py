"""An appraisal for scripts: JSON and CSV that say the same as the appraisal."""

from __future__ import annotations

import csv
import io
import json
import math
from dataclasses import replace

import pytest

from adapters.ledger.exact_json import dump_exact
from daemon.appraise.rows import FIGURES, appraisal_csv, document
from planners.appraisal.appraisal import BreakEven, Spread
from tests.daemon.appraise.samples import (
    POINT,
    SOCKET,
    SOCKET_NIGHT,
    appraisal,
    evens,
    many,
    three,
)
from tests.support.pages import HOSTILE

ASKED = {
    "name", "energy_kwh", "cost", "cost_per_km", "cost_per_mile", "by_band", "nights_short",
    "shortfall_kwh", "outlay", "total_over_years", "saves_per_year", "payback_years",
}  # fmt: skip
"""What every choice holds, whatever else it does."""


def test_a_saving_by_delivering_less_is_flagged() -> None:
    """Only the socket at night, which leaves 12 nights short, is flagged."""
    made = document(appraisal())
    assert [it["delivers_less"] for it in made["choices"]] == [False, True, False]
    rows = csv.DictReader(io.StringIO(appraisal_csv(appraisal())))
    assert [row["delivers_less"] for row in rows] == ["false", "true", "false"]


def test_the_document_is_complete() -> None:
    """Choices with their figures, the cheapest, and what would change it."""
    made = json.loads(dump_exact(document(appraisal())))
    assert [set(it) >= ASKED for it in made["choices"]] == [True] * 3
    assert made["cheapest"] == POINT
    point = made["choices"][2]
    assert (point["energy_kwh"], point["cost"], point["cost_per_km"]) == (3600.0, 496.8, 0.0248)
    assert (point["outlay"], point["total_over_years"]) == (1900.0, 6166.4)
    assert (point["saves_per_year"], point["payback_years"]) == (584.5, 3.25)
    assert point["by_band"] == [{"band": "night", "rate": 0.138, "kwh": 3600.0, "cost": 496.8}]
    assert made["choices"][1]["nights_short"] == 12
    assert made["break_even"] == {
        "distance_per_year": [
            {
                "unit": "km",
                "now": 20000.0,
                "at": 13498.2,
                "rival": SOCKET_NIGHT,
                "by_shortage": False,
                "by_elsewhere": False,
            }
        ],
        "rate": {"band": "night", "now": 0.138, "at": 0.2016, "rival": SOCKET_NIGHT},
        "outlay": {"now": 1900.0, "at": 2815.2, "rival": SOCKET_NIGHT},
    }
    assert made["cautions"] == list(appraisal().cautions)


def test_figures_are_rounded_once() -> None:
    """Money to four decimals, energy to the watt-hour; nothing is minus zero."""
    odd = replace(three()[0], cost=1 / 3, energy_kwh=2 / 3, standing_charge_difference=-1e-9)
    (it,) = document(appraisal((odd,)))["choices"]
    assert (it["cost"], it["energy_kwh"]) == (0.3333, 0.667)
    assert math.copysign(1, it["standing_charge_difference"]) == 1


@pytest.mark.parametrize("payback", [None, math.inf])
def test_what_never_comes_is_null(payback: float | None) -> None:
    """An endless payback, a missing break-even, an unknown distance."""
    it = replace(three()[0], payback_years=payback, cost_per_km=None)
    even = evens(rate=BreakEven(0.1, None, None))
    made = document(appraisal((it, three()[1]), break_even=even, distance_km=None))
    text = json.loads(dump_exact(made))
    assert text["choices"][0]["payback_years"] is None
    assert text["choices"][0]["cost_per_km"] is None
    assert text["break_even"]["rate"] == {"band": "night", "now": 0.1, "at": None, "rival": None}
    assert text["break_even"]["distance_per_year"][0]["unit"] == "kWh"
    assert "trips_kwh" in text["curve"][0]
    assert document(appraisal(three()[:1]))["break_even"] is None


def test_ranges_are_beside_their_figures() -> None:
    """Low and high, rounded like the figure; counts stay whole."""
    it = replace(three()[0], spreads={"cost": Spread(1 / 3, 2.0), "nights_short": Spread(0.0, 4.0)})
    made = document(appraisal((it,)))["choices"][0]["range"]
    assert made == {"cost": [0.3333, 2.0], "nights_short": [0, 4]}
    assert json.dumps(made["nights_short"]) == "[0, 4]"


def test_the_csv_has_a_row_for_each_choice() -> None:
    """Read back it equals the document; RFC 4180 lines end with CRLF."""
    it = replace(many(3), cheapest=many(3).choices[1].name)
    text = appraisal_csv(it)
    assert text.count("\r\n") == 4
    rows = list(csv.DictReader(io.StringIO(text, newline=""), strict=True))
    for row, values in zip(rows, document(it)["choices"], strict=True):
        assert row["name"] == values["name"]
        for key in FIGURES:
            assert row[key] == ("" if values[key] is None else str(values[key]))
        assert [float(row["cost_low"]), float(row["cost_high"])] == values["range"]["cost"]
    assert [row["cheapest"] for row in rows] == ["false", "true", "false"]
    assert "cost_low" not in appraisal_csv(appraisal()).splitlines()[0]


def test_any_name_survives_the_csv() -> None:
    """Commas, quotes and line ends are quoted."""
    name = f'{HOSTILE},\r\n"x"'
    text = appraisal_csv(appraisal((replace(three()[0], name=name),), cheapest=name))
    (row,) = csv.DictReader(io.StringIO(text, newline=""), strict=True)
    assert (row["name"], row["tariff"]) == (name, "One rate")
    assert SOCKET not in text
