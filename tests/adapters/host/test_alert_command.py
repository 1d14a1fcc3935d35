"""The user's command for alerts: it runs, delays nobody, and is never left running."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from time import monotonic

import pytest
from structlog.testing import capture_logs

from adapters.host.alert_command import MOST_OUTPUT_BYTES, MOST_WAITING, AlertCommands
from tests.support.waiting import given_time, patience, wait_until


@pytest.fixture
def commands() -> Iterator[AlertCommands]:
    """Return one that no command of these tests exceeds, however busy the machine is."""
    with run_for_at_most(60) as made:
        yield made


@contextmanager
def run_for_at_most(longest_seconds: float) -> Iterator[AlertCommands]:
    made = AlertCommands(longest_seconds=longest_seconds)
    made.start()
    try:
        yield made
    finally:
        made.stop()


def program(directory: Path, *lines: str) -> str:
    path = directory / "command"
    path.write_text("\n".join(["#!/bin/sh", *lines, ""]))
    path.chmod(0o755)
    return str(path)


def running(marker: Path) -> bool:
    """Return whether the process that wrote its id into a file still runs."""
    state = Path(f"/proc/{marker.read_text().strip()}/stat")
    try:
        return state.read_text().split()[2] != "Z"
    except (FileNotFoundError, ProcessLookupError):
        return False


def test_it_reads_the_alert_and_its_arguments(commands: AlertCommands, tmp_path: Path) -> None:
    """It gets the whole alert on standard input, and its arguments unchanged, without a shell."""
    out = tmp_path / "out"
    recorder = program(tmp_path, f'printf "%s|" "$@" > {out}.part', f"cat >> {out}.part",
                   f"mv {out}.part {out}")  # fmt: skip
    commands.run([recorder, "$HOME; ls *", "ä"], b'{"v":1}')
    wait_until(out.exists)
    assert out.read_bytes() == '$HOME; ls *|ä|{"v":1}'.encode()


def test_a_program_is_not_searched_for(
    commands: AlertCommands, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """A bare name means a file in the folder, even if the system has such a program."""
    monkeypatch.chdir(tmp_path)
    with capture_logs() as logs:
        commands.run(["true"], b"{}")
        wait_until(lambda: logs)
    assert (logs[0]["log_level"], logs[0]["why"]) == ("error", "No such file or directory")


@pytest.mark.parametrize(
    ("lines", "level", "expected"),
    [
        (["echo sent"], "info", {"output": "sent"}),
        (["echo no >&2", "exit 3"], "error", {"why": "exit 3", "output": "no"}),
        (["yes | head -c 100000"], "info", {}),
        (["exec <&-"], "info", {}),
    ],
)
def test_its_result_is_logged(
    commands: AlertCommands, tmp_path: Path, lines: list[str], level: str, expected: dict[str, str]
) -> None:
    """The log contains its output, shortened, and its failure."""
    with capture_logs() as logs:
        commands.run([program(tmp_path, *lines)], b"x" * 200_000)
        wait_until(lambda: logs)
    assert logs[0]["log_level"] == level
    assert expected.items() <= logs[0].items()
    assert len(logs[0]["output"]) <= 2000


def test_that_it_took_too_long_is_logged(tmp_path: Path) -> None:
    """The log says after how long it was killed."""
    with run_for_at_most(0.5) as commands, capture_logs() as logs:
        commands.run([program(tmp_path, "sleep 60")], b"{}")
        wait_until(lambda: logs)
    assert (logs[0]["log_level"], logs[0]["why"]) == ("error", "killed after 0.5 s")


def test_its_child_processes_are_killed_with_it(tmp_path: Path) -> None:
    """A command that hangs is killed with its children, and the next one runs."""
    left, after = tmp_path / "left", tmp_path / "after"
    hangs = program(tmp_path, "sleep 600 &", f"echo $! > {left}.part", f"mv {left}.part {left}",
                    "wait")  # fmt: skip

    def attempt(longest_seconds: float) -> bool:
        with run_for_at_most(longest_seconds) as commands, capture_logs() as logs:
            commands.run([hangs], b"{}")
            commands.run(["/usr/bin/env", "touch", str(after)], b"{}")
            wait_until(lambda: len(logs) == 2, 30, what="both have ended")
        return left.exists() and after.exists()

    assert given_time(attempt, bool, 0.3)
    wait_until(lambda: not running(left), what="the child has ended")


def test_nobody_is_delayed(commands: AlertCommands, tmp_path: Path) -> None:
    """While the first one hangs, alerts are queued; those beyond the limit are logged."""
    hangs = program(tmp_path, "sleep 60")
    with capture_logs() as logs:
        for _ in range(MOST_WAITING + 10):
            commands.run([hangs], b"{}")
    assert {log["event"] for log in logs} == {
        "too many alerts wait for the command; this one is dropped"
    }
    assert 9 <= len(logs) <= 10  # one is running by now, or not yet


def test_stopping_does_not_take_long(tmp_path: Path) -> None:
    """A daemon that stops kills a hanging command before its time limit."""
    marker = tmp_path / "marker"
    commands = AlertCommands()
    commands.start()
    commands.run([program(tmp_path, f"echo $$ > {marker}.part", f"mv {marker}.part {marker}",
                          "exec sleep 60")], b"{}")  # fmt: skip
    wait_until(marker.exists)
    begun = monotonic()
    commands.stop()
    assert monotonic() - begun < patience(5)
    wait_until(lambda: not running(marker), what="the command has ended")


def test_a_flood_of_output_fills_no_disk(commands: AlertCommands, tmp_path: Path) -> None:
    """It gets an error where it writes, while one that prints a lot still succeeds."""
    chatty = program(tmp_path, f"yes xxxxxxx | head -c {MOST_OUTPUT_BYTES}")
    with capture_logs() as logs:
        commands.run([chatty], b"{}")
        wait_until(lambda: logs)
    assert logs[0]["log_level"] == "info"
    assert logs[0]["output"].startswith("xxxxxxx\n")
    flooding = program(tmp_path, "exec yes")
    with capture_logs() as logs:
        commands.run([flooding], b"{}")
        wait_until(lambda: logs)
    assert logs[0]["why"] == "exit 1", "yes(1) gives up when it can't write"
    assert logs[0]["output"].startswith("y\ny\n")
