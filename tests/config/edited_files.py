"""Make sample files with edits, and list the faults that loading or a schema finds in them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest
import yaml

from config.files.errors import FileError
from config.files.yaml_tree import read_yaml

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

    from jsonschema import Draft202012Validator


def replaced(text: str, edits: Mapping[str, str]) -> str:
    """Replace pieces of a text, each of which must be in it once."""
    for old, new in edits.items():
        assert text.count(old) == 1, f"{old!r} is in the text {text.count(old)} times"
        text = text.replace(old, new)
    return text


def bad_cases(folder: Path) -> list[dict[str, Any]]:
    """Read the cases of a folder's tables of bad files: the edits, and the faults to report."""
    return [
        case
        for table in sorted(folder.glob("bad_*.yaml"))
        for case in yaml.load(table.read_text(encoding="utf-8"), yaml.CSafeLoader)
    ]


def faults_in(path: Path, load: Callable[[Path], object]) -> list[str]:
    """List a bad file's faults, without the file's name."""
    with pytest.raises(FileError) as caught:
        load(path)
    assert {fault.file for fault in caught.value.faults} == {str(path)}
    return [f"{fault.line}:{fault.column}: {fault.message}" for fault in caught.value.faults]


def places_of_errors(validator: Draft202012Validator, text: str) -> list[str]:
    """List the keys at which a file breaks a schema."""
    errors = validator.iter_errors(read_yaml(text).data)
    return sorted("/".join(map(str, error.absolute_path)) for error in errors)
