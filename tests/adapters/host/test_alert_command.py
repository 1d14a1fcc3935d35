"""The user's own command for alerts: it is run, holds nobody up, and is never left running."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from time import monotonic

import pytest
from structlog.testing import capture_logs

from adapters.host.alert_command import MOST_WAITING, AlertCommands
from tests.support.waiting import patience, wait_until


@pytest.fixture
def commands() -> Iterator[AlertCommands]:
    made = AlertCommands(longest_seconds=0.5)
    made.start()
    yield made
    made.stop()


def program(directory: Path, *lines: str) -> str:
    path = directory / "tell"
    path.write_text("\n".join(["#!/bin/sh", *lines, ""]))
    path.chmod(0o755)
    return str(path)


def running(marker: Path) -> bool:
    """Whether the process that wrote its id into a file is still there."""
    try:
        os.kill(int(marker.read_text()), 0)
    except ProcessLookupError:
        return False
    return True


def test_it_reads_the_alert_and_its_arguments(commands: AlertCommands, tmp_path: Path) -> None:
    """The alert is on standard input, whole; arguments come as they are, for there is no shell."""
    out = tmp_path / "out"
    told = program(tmp_path, f'printf "%s|" "$@" > {out}.part', f"cat >> {out}.part",
                   f"mv {out}.part {out}")  # fmt: skip
    commands.run([told, "$HOME; ls *", "ä"], b'{"v":1}')
    wait_until(out.exists)
    assert out.read_bytes() == '$HOME; ls *|ä|{"v":1}'.encode()


def test_a_program_is_no_name_to_be_looked_for(
    commands: AlertCommands, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """A bare name is a file of the folder, even where the system has a program of that name."""
    monkeypatch.chdir(tmp_path)
    with capture_logs() as logs:
        commands.run(["true"], b"{}")
        wait_until(lambda: logs)
    assert (logs[0]["log_level"], logs[0]["why"]) == ("error", "No such file or directory")


@pytest.mark.parametrize(
    ("lines", "level", "said"),
    [
        (["echo sent"], "info", {"output": "sent"}),
        (["echo no >&2", "exit 3"], "error", {"why": "exit 3", "output": "no"}),
        (["sleep 60"], "error", {"why": "killed after 0.5 s"}),
        (["yes | head -c 100000"], "info", {}),
        (["exec <&-"], "info", {}),
    ],
)
def test_how_it_ended_is_logged(
    commands: AlertCommands, tmp_path: Path, lines: list[str], level: str, said: dict[str, str]
) -> None:
    """Its output and its failure stand in the log, at a length that a log can bear."""
    with capture_logs() as logs:
        commands.run([program(tmp_path, *lines)], b"x" * 200_000)
        wait_until(lambda: logs)
    assert logs[0]["log_level"] == level
    assert said.items() <= logs[0].items()
    assert len(logs[0]["output"]) <= 2000


def test_what_it_has_started_is_killed_with_it(commands: AlertCommands, tmp_path: Path) -> None:
    """A command that hangs is killed with all it has started, and the next one is run."""
    left, after = tmp_path / "left", tmp_path / "after"
    hangs = program(tmp_path, "sleep 60 &", f"echo $! > {left}", "wait")
    commands.run([hangs], b"{}")
    commands.run(["/usr/bin/env", "touch", str(after)], b"{}")
    wait_until(after.exists)
    assert (
        not running(left)
        or Path(f"/proc/{left.read_text().strip()}/stat").read_text().split()[2] == "Z"
    )


def test_nobody_is_held_up(commands: AlertCommands, tmp_path: Path) -> None:
    """However many alerts come while it hangs, they are taken at once; what is too much is said."""
    hangs = program(tmp_path, "sleep 60")
    begun = monotonic()
    with capture_logs() as logs:
        for _ in range(MOST_WAITING + 10):
            commands.run([hangs], b"{}")
    assert monotonic() - begun < patience(0.4)
    assert {log["event"] for log in logs} == {
        "too many alerts wait for the command, this one is not told"
    }
    assert 9 <= len(logs) <= 10  # one is running by now, or not yet


def test_an_end_does_not_wait_for_long(tmp_path: Path) -> None:
    """A daemon that ends kills what hangs, though it would have had more time."""
    marker = tmp_path / "marker"
    commands = AlertCommands()
    commands.start()
    commands.run([program(tmp_path, f"echo $$ > {marker}.part", f"mv {marker}.part {marker}",
                          "exec sleep 60")], b"{}")  # fmt: skip
    wait_until(marker.exists)
    begun = monotonic()
    commands.stop()
    assert monotonic() - begun < patience(5)
    assert not running(marker)
