"""The household of ``cottage.yaml`` with edits, for tests of the loader."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from config.household.household_file import HouseholdFile
from config.household.loading import load_household
from tests.config.edited_files import faults_in, replaced

if TYPE_CHECKING:
    from collections.abc import Mapping

DATA = Path(__file__).parents[1] / "data" / "config"
COTTAGE = (DATA / "cottage.yaml").read_text(encoding="utf-8")


def edited(edits: Mapping[str, str]) -> str:
    """Replace pieces of ``cottage.yaml``, each of which must be in it once."""
    return replaced(COTTAGE, edits)


def load_text(folder: Path, text: str) -> HouseholdFile:
    path = folder / "house.yaml"
    path.write_text(text, encoding="utf-8")
    return load_household(path)


def faults_of(path: Path) -> list[str]:
    """List a bad file's faults, without the file's name."""
    return faults_in(path, load_household)
