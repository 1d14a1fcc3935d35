"""The choices of ``choices.yaml`` with edits, for tests of the loader."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from config.choices.choices_file import ChoicesFile
from config.choices.loading import load_choices
from tests.config.edited_files import faults_in, replaced

if TYPE_CHECKING:
    from collections.abc import Mapping

DATA = Path(__file__).parents[2] / "data" / "config_choices"
CHOICES = (DATA / "choices.yaml").read_text(encoding="utf-8")


def _piece(start: str, end: str) -> str:
    return CHOICES[CHOICES.index(start) : CHOICES.index(end)]


PIECES = {
    "<appraisal>": _piece("appraisal:", "vehicle:"),
    "<vehicle>": _piece("vehicle:", "driving:"),
    "<driving>": _piece("driving:", "home_use:"),
    "<times>": _piece("  leaves:", "  trips:"),
    "<trips>": _piece("  trips:", "  spread_percent"),
    "<trips and draws>": _piece("  trips:", "home_use:"),
    "<home use>": _piece("home_use:", "choices:"),
    "<first tariff>": _piece("    tariff:", "    charge_point:"),
    "<choices>": CHOICES[CHOICES.index("choices:") :],
}
"""Longer pieces of the file, by their short names in the tables of edits."""


def edited(edits: Mapping[str, str]) -> str:
    """Replace pieces of ``choices.yaml``, each of which must be in it once."""
    return replaced(CHOICES, {PIECES.get(old, old): new for old, new in edits.items()})


def driving(text: str) -> str:
    """Put other driving in place of the trips and their draws."""
    return edited({"<trips and draws>": text})


def load_text(folder: Path, text: str) -> ChoicesFile:
    path = folder / "choices.yaml"
    path.write_text(text, encoding="utf-8")
    return load_choices(path)


def faults_of(path: Path) -> list[str]:
    """List a bad file's faults, without the file's name."""
    return faults_in(path, load_choices)
