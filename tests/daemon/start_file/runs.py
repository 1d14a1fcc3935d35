"""Run `start-file` in a process of its own, with a terminal and without."""

from __future__ import annotations

import os
import pty
import select
import subprocess
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from config.files.yaml_tree import read_yaml
from tests.support.forked import caller
from tests.support.waiting import patience

PROMPT = "\n  answer"
KNOWN = {
    "timezone": "Etc/UTC",
    "currency": "EUR",
    "cheap_hours": "[23:00-07:00]",
    "cheap_rate": "0.15",
    "other_rate": "0.3",
}
"""Answers that have no default, as YAML: a test's own answers stand before them."""
LIMIT_SECONDS = 30.0


@dataclass(frozen=True)
class Dialogue:
    """The exit code of a dialogue on a terminal, and everything on the screen."""

    code: int
    screen: str


def environment(**more: str) -> dict[str, str]:
    return os.environ | {"TZ": "Pacific/Auckland", "COLUMNS": "80"} | more


def without_terminal(
    folder: Path, *arguments: str, given: bytes = b"", **more: str
) -> subprocess.CompletedProcess[bytes]:
    return subprocess.run(
        [*caller(), "lullwatt", "start-file", *arguments],
        input=given, cwd=folder, env=environment(**more), capture_output=True, check=False,
        timeout=patience(LIMIT_SECONDS),
    )  # fmt: skip


def on_terminal(folder: Path, typed: Sequence[str], *arguments: str) -> Dialogue:
    """Type an answer at each prompt; after the last answer, press only Enter."""
    ours, theirs = pty.openpty()
    process = subprocess.Popen(
        [*caller(), "lullwatt", "start-file", *arguments],
        stdin=theirs, stdout=theirs, stderr=theirs, cwd=folder, env=environment(),
        start_new_session=True,
    )  # fmt: skip
    os.close(theirs)
    try:
        screen = _talk(ours, list(typed))
        return Dialogue(process.wait(patience(LIMIT_SECONDS)), screen)
    finally:
        process.kill()
        process.wait()
        os.close(ours)


def _talk(terminal: int, answers: list[str]) -> str:
    """Answer each prompt; return the screen when the command has ended."""
    screen, answered = "", 0
    with suppress(OSError):  # Linux reports a closed other end in this way
        while select.select([terminal], [], [], patience(LIMIT_SECONDS))[0]:
            piece = os.read(terminal, 4096)
            if not piece:
                break
            screen += piece.decode("utf-8", "replace")
            asked = screen.replace("\r", "").count(PROMPT)
            if screen.endswith(": ") and asked > answered:
                answered = asked
                answer = answers.pop(0) if answers else ""
                os.write(terminal, answer.encode() if answer == "\x04" else f"{answer}\n".encode())
    return screen.replace("\r\n", "\n")


def answers_text(answers: Mapping[str, str]) -> str:
    return "".join(f"{key}: {value}\n" for key, value in answers.items())


def with_known(text: str) -> str:
    """Add the answers that have no default, except those that a text gives."""
    given = read_yaml(text).data
    missing = {key: KNOWN[key] for key in KNOWN if not (isinstance(given, dict) and key in given)}
    return f"{text.rstrip()}\n{answers_text(missing)}"
