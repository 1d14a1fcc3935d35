"""Commands that are loaded when they are called."""

from __future__ import annotations

import subprocess
import sys

import click
import pytest

from daemon.command_line.cli import cli
from daemon.command_line.doors import DOORS
from tests.support.waiting import patience

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
    unwanted = {"numpy", "pydantic", "rich", "structlog", *(door.module for door in DOORS.values())}
    code = (
        "import sys; from daemon.command_line import cli\n"
        "sys.argv = ['lullwatt', '--help']\n"
        "try: cli.main()\n"
        f"finally: print(*sorted({unwanted!r} & set(sys.modules)), file=sys.stderr)"
    )
    ran = subprocess.run(
        [sys.executable, "-c", code],
        check=True,
        capture_output=True,
        text=True,
        timeout=patience(60),
    )
    assert all(f"\n  {name} " in ran.stdout for name in DOORS)
    assert ran.stderr.split() == []
