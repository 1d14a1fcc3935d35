"""What `check` says of equipment that speaks OCPP: what it can, and who could pass for it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from adapters.ocpp_point.abilities import Abilities
from adapters.ocpp_point.remembered import Remembered, remembered_at
from config.household.loading import load_household
from daemon.check.connections import connection_cautions, explain_connections
from tests.daemon.messaging.test_ocpp_nights import over_ocpp

if TYPE_CHECKING:
    from pathlib import Path

CASES = {
    "never connected": (Abilities(), ["has not said yet"], []),
    "all": (
        Abilities("KC-7", answered=True, limits_current=True, units=("A", "W"), most_periods=6),
        ["is a KC-7", "set by a profile of each charge, in amperes or watts, with 6 periods"],
        [],
    ),
    "core only": (
        Abilities(answered=True, limits_current=False),
        ["only started and stopped"],
        ["until the vehicle is full", "does not wait"],
    ),
    "one place": (
        Abilities(answered=True, most_profiles=1, most_periods=1, units=("W",)),
        ["by its default profile, once that has begun, in watts, with 1 period at the most"],
        ["stores one period", "no highest current"],
    ),
    "no default": (
        Abilities(refused=frozenset({"TxDefaultProfile"})),
        ["does not say", "a profile of each charge"],
        ["does not wait"],
    ),
}


@pytest.mark.parametrize("case", CASES)
def test_what_equipment_can(case: str, tmp_path: Path) -> None:
    """It is read from the file beside the ledger; each lack is a caution with what to do."""
    known, can, lacks = CASES[case]
    file = load_household(over_ocpp(tmp_path, 8887))
    Remembered(remembered_at(file.ledger.path)).keep("carport", known)
    said = "\n".join(explain_connections(file))
    assert all(each in said for each in can), said
    cautions = list(connection_cautions(file))
    assert len(cautions) == len(lacks), cautions
    assert all(each in caution for each, caution in zip(lacks, cautions, strict=True)), cautions


def test_equipment_without_a_password(tmp_path: Path) -> None:
    """The caution names the network, and what somebody there could do."""
    path = over_ocpp(tmp_path, 8887)
    text = path.read_text(encoding="utf-8")
    path.write_text(
        text.replace("password_file: carport.password", "without_password_from: [192.168.7.20]"),
        encoding="utf-8",
    )
    (caution,) = connection_cautions(load_household(path))
    assert caution.startswith("carport: anybody at 192.168.7.20 can pass for its equipment")


def test_a_current_that_can_not_be_set_is_declared_so(tmp_path: Path) -> None:
    """A file that counts on a current gets the words to write instead."""
    path = over_ocpp(tmp_path, 8887)
    text = path.read_text(encoding="utf-8").replace("switching: on_off", "switching: current")
    path.write_text(text, encoding="utf-8")
    file = load_household(path)
    known = Abilities(answered=True, limits_current=False)
    Remembered(remembered_at(file.ledger.path)).keep("carport", known)
    assert "say switching: on_off" in next(connection_cautions(file))
