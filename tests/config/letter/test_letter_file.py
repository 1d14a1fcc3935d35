"""The words of a letter: defaults, every fault with its place, the example."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from config.files.errors import FileError
from config.letter.letter_file import load_letter
from tests.config.test_examples import LETTER

if TYPE_CHECKING:
    from pathlib import Path


def test_the_example_is_good() -> None:
    """It has every key."""
    words = load_letter(LETTER)
    assert words.adviser.name == "Aroha Example"
    assert words.model_fields_set == type(words).model_fields.keys()


def test_only_a_name_is_needed(tmp_path: Path) -> None:
    """All else has words of its own."""
    path = tmp_path / "letter.yaml"
    path.write_text("adviser: {name: Aroha}\n", "utf-8")
    assert load_letter(path).greeting == "Dear {home},"


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("adviser: {}", 'letter.yaml:1:10: adviser: missing key "name"'),
        (
            "adviser: {name: A}\ngreting: Hello",
            'letter.yaml:2:1: unknown key "greting"; did you mean "greeting"?',
        ),
        (
            "adviser: {name: A}\nopening: the night of {nihgt}",
            "letter.yaml:2:10: opening: expected a text of 1 to 400 characters, in braces only",
        ),
        (
            f"adviser: {{name: A}}\nclosing: {'x' * 401}",
            "letter.yaml:2:10: closing: expected a text of 1 to 400 characters",
        ),
        (
            "adviser: {name: A, contact: [a, b, c, d, e]}",
            "letter.yaml:1:29: contact:",
        ),
    ],
)
def test_a_fault_is_named_with_its_place(tmp_path: Path, text: str, fault: str) -> None:
    """File, line, column, and what was expected."""
    path = tmp_path / "letter.yaml"
    path.write_text(text, "utf-8")
    with pytest.raises(FileError) as caught:
        load_letter(path)
    assert fault in str(caught.value)
