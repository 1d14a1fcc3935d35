"""A bad choices file names all its faults and their places."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from config.choices.loading import load_choices
from config.files.errors import FileError
from tests.config.choices.cases import DATA, edited, faults_of
from tests.config.cottage import COTTAGE
from tests.config.edited_files import bad_cases

BAD = bad_cases(DATA)


@pytest.mark.parametrize("bad", BAD, ids=lambda bad: bad["case"])
def test_faults_are_named(bad: dict[str, Any], tmp_path: Path) -> None:
    """Every fault, and nothing else, is named with line, column and what was expected."""
    path = tmp_path / "choices.yaml"
    path.write_text(edited(bad["edits"]), encoding="utf-8")
    assert faults_of(path) == bad["faults"]


def test_enough_bad_files() -> None:
    """The tables of bad files are long, and every case in them is a different one."""
    assert len({bad["case"] for bad in BAD}) == len(BAD) >= 140


@pytest.mark.parametrize(
    ("raw", "fault"),
    [
        (b"", "1:1: expected the keys {keys}; got an empty file"),
        (b"---\n", "2:1: expected the keys {keys}; got nothing"),
        (b"lullwatt", '1:1: expected the keys {keys}; got "lullwatt"'),
        (b"a: caf\xe9\n", "1:7: expected UTF-8, got the byte 0xe9; save the file as UTF-8"),
        (b"# " + b"x" * 300_000, "1:1: expected a choices file, got more than 256 KiB"),
    ],
)
def test_files_that_are_no_choices(raw: bytes, fault: str, tmp_path: Path) -> None:
    """A file that holds no choices at all has one fault."""
    path = tmp_path / "choices.yaml"
    path.write_bytes(raw)
    wanted = fault.format(keys="appraisal, vehicle, driving, choices")
    assert faults_of(path) == [wanted]


def test_missing_file(tmp_path: Path) -> None:
    """A missing file is reported under the name that the user gave."""
    path = tmp_path / "nowhere.yaml"
    assert faults_of(path) == ["1:1: expected a choices file, got no such file"]


def test_a_household_file_is_no_choices_file(tmp_path: Path) -> None:
    """A household file in its place is refused by its keys."""
    path = tmp_path / "house.yaml"
    path.write_text(COTTAGE, encoding="utf-8")
    unknown = [fault for fault in faults_of(path) if 'unknown key "' in fault]
    keys = [fault.split('"')[1] for fault in unknown]
    assert keys == [
        "household",
        "tariffs",
        "charge_points",
        "vehicles",
        "departures",
        "bus",
        "ledger",
    ]


def test_path_is_named_as_given(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Messages begin with the path that the user gave, not with a longer one."""
    monkeypatch.chdir(tmp_path)
    text = edited({"distance: 45 km": "distance: 45"})
    Path("choices.yaml").write_text(text, encoding="utf-8")
    with pytest.raises(FileError, match=r"^choices\.yaml:17:36: distance: ") as caught:
        load_choices(Path("choices.yaml"))
    assert caught.value.exit_code == 2
