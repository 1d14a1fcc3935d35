"""Run a command line in the test's own process, as `lullwatt` would."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from daemon.command_line import cli

COLUMNS = 80


@dataclass(frozen=True)
class Ran:
    """Exit code and output of a command."""

    code: int
    out: str
    err: str


@pytest.fixture
def run(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> Callable[..., Ran]:
    """Run a command line in this process, in an empty folder, at 80 columns."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", str(COLUMNS))

    def run_command(*arguments: str) -> Ran:
        monkeypatch.setattr(sys, "argv", ["lullwatt", *arguments])
        with pytest.raises(SystemExit) as ended:
            cli.main()
        printed = capsys.readouterr()
        code = ended.value.code
        assert isinstance(code, int)
        return Ran(code, printed.out, printed.err)

    return run_command
