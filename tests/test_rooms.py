"""The house is in rooms: each says what it owns, none is crowded, and the wheel holds them all."""

from __future__ import annotations

import ast
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
FLOORS = ("config", "planners", "adapters", "daemon")
ROOMS = sorted(
    path.parent.relative_to(ROOT)
    for floor in FLOORS
    for path in (ROOT / floor).rglob("__init__.py")
)
MOST_FILES = 12
MOST_LINES = 5


def _name(room: Path) -> str:
    return ".".join(room.parts)


@pytest.mark.parametrize("room", ROOMS, ids=_name)
def test_a_room_says_what_it_owns(room: Path) -> None:
    """Its opening lines fit on five lines, the first of them a whole sentence."""
    text = ast.get_docstring(ast.parse((ROOT / room / "__init__.py").read_text("utf-8")))
    assert text is not None
    lines = text.splitlines()
    assert len(lines) <= MOST_LINES
    assert lines[0].endswith(".")


@pytest.mark.parametrize("room", ROOMS, ids=_name)
def test_a_room_has_at_most_a_dozen_files(room: Path) -> None:
    """More than that is two rooms, or a room without a subject."""
    files = [path.name for path in (ROOT / room).glob("*.py") if path.name != "__init__.py"]
    assert len(files) <= MOST_FILES


def test_every_folder_with_code_is_a_room() -> None:
    """No module lies in a folder without opening lines."""
    folders = {
        path.parent.relative_to(ROOT) for floor in FLOORS for path in (ROOT / floor).rglob("*.py")
    }
    assert folders == set(ROOMS)


def test_the_wheel_lists_every_room() -> None:
    """A room that is missing from `packages` would be missing from the wheel."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
    assert sorted(project["tool"]["setuptools"]["packages"]) == sorted(map(_name, ROOMS))


@pytest.mark.parametrize("floor", FLOORS)
def test_the_tests_mirror_the_rooms(floor: str) -> None:
    """A folder of a floor's tests is named after the room it is about."""
    rooms = {path.name for path in ROOMS if path.parts[0] == floor}
    folders = {path.name for path in (ROOT / "tests" / floor).iterdir() if path.is_dir()}
    assert folders - {"__pycache__"} <= rooms
