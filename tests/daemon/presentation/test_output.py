"""What a bad home sends never reaches the terminal as a control character."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Group
from rich.table import Table
from rich.text import Text

from daemon.presentation.output import json_text, lines_printable, rich_text, say

DAEMON = Path(__file__).parents[3] / "daemon"
CLEARS_THE_SCREEN = "cheap\x1b[2J\x9b2J\rhours\u202e"
ESCAPED = "cheap\\x1b[2J\\x9b2J\\rhours\\u202e"


def is_harmless(text: str) -> bool:
    return all(letter.isprintable() or letter == "\n" for letter in text)


def test_a_line_shows_control_characters_as_escapes(capsys: pytest.CaptureFixture[str]) -> None:
    """On standard output and standard error; the ends of lines stay."""
    say(f"one\n{CLEARS_THE_SCREEN}")
    say(CLEARS_THE_SCREEN, err=True)
    shown = capsys.readouterr()
    assert shown.out == f"one\n{ESCAPED}\n"
    assert shown.err == f"{ESCAPED}\n"


def test_a_laid_out_text_shows_them_too() -> None:
    """In plain strings, styled texts and tables."""
    table = Table("why")
    table.add_row(CLEARS_THE_SCREEN)
    text = rich_text(Group(Text(CLEARS_THE_SCREEN, style="bold"), table, CLEARS_THE_SCREEN), 200)
    assert is_harmless(text)
    assert text.count("\\x1b[2J\\x9b2J") == 3


def test_a_laid_out_text_has_no_padding() -> None:
    """No line ends with spaces, and none is lost."""
    table = Table("why", "how", box=None)
    table.add_row("because", "")
    text = rich_text(Group("One.", "", table, Text("Two.  ", style="bold")), 60)
    assert text == "One.\n\n why      how\n because\nTwo.\n"


def test_json_holds_them_as_escapes_of_its_own() -> None:
    """The text is harmless, and its reader gets what was sent."""
    text = json_text({"why": CLEARS_THE_SCREEN, "name": "Müller ☀"})
    assert is_harmless(text)
    assert "Müller ☀" in text
    assert json.loads(text)["why"] == CLEARS_THE_SCREEN


@given(st.text())
def test_no_text_reaches_the_terminal_with_a_control_character(text: str) -> None:
    """Whatever it holds."""
    assert is_harmless(lines_printable(text))


def test_one_module_alone_prints() -> None:
    """All other modules of the daemon go through it."""
    printing = {
        path.relative_to(DAEMON).as_posix()
        for path in DAEMON.rglob("*.py")
        if any(
            word in path.read_text("utf-8") for word in ("click.echo(", "stdout.write(", " print(")
        )
    }
    assert printing == {"presentation/output.py"}
