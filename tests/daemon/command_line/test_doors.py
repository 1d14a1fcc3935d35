"""Commands that are loaded when they are called."""

from __future__ import annotations

import subprocess
import sys
from importlib import import_module
from inspect import signature
from typing import TYPE_CHECKING

import click
import pytest

from daemon.command_line.cli import cli
from daemon.command_line.doors import DOORS
from tests.support.waiting import patience

if TYPE_CHECKING:
    from collections.abc import Iterator

LARGE = {"numpy", "pydantic", "rich", "structlog"}
ENTIRE = 400
"""More characters than any summary has."""


@pytest.mark.parametrize("name", sorted(DOORS))
def test_a_door_says_what_its_command_says(name: str) -> None:
    """Behind each door is the command of its name, whose help begins as the door's summary."""
    command = cli.get_command(click.Context(cli), name)
    assert command is not None
    assert command.name == name
    assert command.get_short_help_str(ENTIRE) == DOORS[name].summary


def test_help_loads_no_command_and_none_of_the_large_packages() -> None:
    """`lullwatt --help` lists all commands and loads none that has a door."""
    ran = _loaded(LARGE | {door.module for door in DOORS.values()}, "--help")
    assert all(f"\n  {name} " in ran.stdout for name in DOORS)
    assert ran.stderr.split() == []


def test_wrong_usage_of_a_frequent_command_loads_nothing_large() -> None:
    """A misspelt option of `ask` is refused before anything is loaded that only asking needs."""
    ran = _loaded(LARGE, "ask", "--nope")
    assert "No such option" in ran.stderr
    assert ran.stderr.splitlines()[-1] == ""


def _loaded(unwanted: set[str], *arguments: str) -> subprocess.CompletedProcess[str]:
    """Run a command; the last line on standard error names what it loaded of the unwanted."""
    code = (
        "import sys; from daemon.command_line import cli\n"
        f"sys.argv = ['lullwatt', *{arguments!r}]\n"
        "try: cli.main()\n"
        f"finally: print(*sorted({unwanted!r} & set(sys.modules)), file=sys.stderr)"
    )
    return subprocess.run(
        [sys.executable, "-c", code],
        check=False,
        capture_output=True,
        text=True,
        timeout=patience(60),
    )


def _commands() -> Iterator[click.Command]:
    context = click.Context(cli)
    for name in cli.list_commands(context):
        command = cli.get_command(context, name)
        assert command is not None
        yield command


def test_what_does_a_command_takes_what_its_options_give() -> None:
    """The function behind a command exists, and its parameters are those of the command."""
    places = {each: getattr(each.callback, "place", None) for each in _commands()}
    found = [(each, place.split(":")) for each, place in places.items() if place is not None]
    assert len(found) > 5
    for command, (module, function) in found:
        work = signature(getattr(import_module(module), function))
        given = {each.name for each in command.params}
        named = {
            each.name for each in work.parameters.values() if each.kind is not each.VAR_KEYWORD
        }
        assert named == given or (named < given and "options" in work.parameters)
