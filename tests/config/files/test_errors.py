"""Errors carry their data, and read as one line for each fault."""

from __future__ import annotations

import pytest

from config.files.errors import (
    BusError,
    Fault,
    FileError,
    LedgerError,
    LullwattError,
    TariffError,
    UsageError,
)


def test_fault_as_text() -> None:
    """A fault reads file:line:column: message."""
    assert str(Fault("house.yaml", 14, 7, "rate: bad")) == "house.yaml:14:7: rate: bad"


def test_faults_in_file_order() -> None:
    """Faults are listed in order of their places, each once."""
    late, early = Fault("h.yaml", 10, 1, "b"), Fault("h.yaml", 9, 30, "a")
    error = FileError([late, early, late])
    assert error.faults == (early, late)
    assert str(error) == "h.yaml:9:30: a\nh.yaml:10:1: b"


@pytest.mark.parametrize("kind", [UsageError, TariffError, BusError, LedgerError])
def test_tree(kind: type[LullwattError]) -> None:
    """Each error that is meant for the user is a `LullwattError` and ends a command with 2."""
    with pytest.raises(LullwattError, match=r"^a message$") as caught:
        raise kind("a message")
    assert caught.value.exit_code == 2
