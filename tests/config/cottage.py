"""The household of ``cottage.yaml`` with edits, for tests of the loader."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from config.files.errors import FileError
from config.household.household_file import HouseholdFile
from config.household.loading import load_household

if TYPE_CHECKING:
    from collections.abc import Mapping

DATA = Path(__file__).parents[1] / "data" / "config"
COTTAGE = (DATA / "cottage.yaml").read_text(encoding="utf-8")


def edited(edits: Mapping[str, str]) -> str:
    """Replace pieces of ``cottage.yaml``, each of which must stand there once."""
    text = COTTAGE
    for old, new in edits.items():
        assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times"
        text = text.replace(old, new)
    return text


def load_text(folder: Path, text: str) -> HouseholdFile:
    path = folder / "house.yaml"
    path.write_text(text, encoding="utf-8")
    return load_household(path)


def faults_of(path: Path) -> list[str]:
    """List a bad file's faults, without the file's name."""
    with pytest.raises(FileError) as caught:
        load_household(path)
    assert {fault.file for fault in caught.value.faults} == {str(path)}
    return [f"{fault.line}:{fault.column}: {fault.message}" for fault in caught.value.faults]
