"""A tariff in pence or cents is read as the same tariff in pounds or dollars."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from config.tariffs.tariff import Tariff
from tests.config.cottage import edited, faults_of, load_text


def tariff(unit: float, **keys: object) -> dict[str, Any]:
    """Make a tariff of components with rates in some unit."""

    def rate(pence: float) -> float:
        return round(pence * unit, 6)

    return {
        "name": "t",
        "standing_charge": rate(52.1),
        "tiers_per": "month",
        "usual_kwh": 300,
        "components": [
            {"name": "market", "prices": {"file": "p.csv", "multiply": unit, "add": rate(1.2),
                                          "at_most": rate(80)}},
            {"name": "network", "bands": [
                {"name": "night", "rate": rate(4.1), "hours": ["00:00-06:00"]},
                {"name": "day", "rate": rate(9)},
            ]},
            {"name": "levy", "tiers": [{"rate": rate(21), "up_to_kwh": 120}, {"rate": rate(29.5)}]},
        ],
        **keys,
    }  # fmt: skip


def test_every_rate_is_read_in_the_unit() -> None:
    """Bands, tiers, prices and what is added to them, and the standing charge."""
    pence = Tariff.model_validate(tariff(1, in_hundredths=True))
    assert pence == Tariff.model_validate(tariff(0.01))
    assert str(pence.standing_charge) == "0.521"


def test_it_is_converted_once(tmp_path: Path) -> None:
    """A tariff that is handed on, as an appraisal does, keeps its rates."""
    edits = {
        "clock: wall": "clock: wall\n    in_hundredths: true",
        "standing_charge: 1.90": "standing_charge: 190",
        "rate: 0.168": "rate: 16.8",
        "rate: 0.412": "rate: 41.2",
        "rate: 0.305": "rate: 30.5",
    }
    made, plain = (load_text(tmp_path, edited(each)).tariffs[0] for each in (edits, {}))
    assert made == plain
    assert Tariff.model_validate(made) == plain


def test_anything_but_true_or_false_is_refused(tmp_path: Path) -> None:
    """With the place, as every key."""
    path = tmp_path / "house.yaml"
    path.write_text(edited({"clock: wall": "in_hundredths: pence"}), encoding="utf-8")
    (fault,) = faults_of(path)
    assert fault == '13:20: in_hundredths: expected true or false, got "pence"'


@pytest.mark.parametrize("key", ["fees", "capacity_charge"])
def test_other_amounts_stay(key: str) -> None:
    """Fees and capacity charges are whole amounts, in units of the currency."""
    given = {
        "fees": [{"name": "meter", "amount": 3.5, "per": "month"}],
        "capacity_charge": {"rate_per_kw": 4.2},
    }[key]
    made = Tariff.model_validate(tariff(1, in_hundredths=True, **{key: given}))
    assert getattr(made, key) == getattr(Tariff.model_validate(tariff(1, **{key: given})), key)
