"""Run the user's own command for each alert, on its own thread, without a shell.

It delays nobody: if too many alerts wait, a new one is dropped, and a command that takes too long
is killed with all the processes it has started.
"""

from __future__ import annotations

import fcntl
import os
import signal
import subprocess
import tempfile
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from queue import Full, Queue
from threading import Event, Thread
from typing import BinaryIO, Final

import structlog

LONGEST_SECONDS: Final = 30.0
MOST_WAITING: Final = 20
STOPS_SECONDS: Final = 2.0
MOST_OUTPUT_BYTES: Final = 2**20
"""A command that prints more gets an error where it writes: it would fill the disk in seconds."""
_LOGGED_BYTES: Final = 2000
_LOOKS_EVERY_SECONDS: Final = 0.1

_log = structlog.get_logger(__name__)


class AlertCommands:
    """Runs commands one after the other.

    Parameters
    ----------
    longest_seconds
        A command that runs for longer is killed.
    """

    def __init__(self, *, longest_seconds: float = LONGEST_SECONDS) -> None:
        self._longest_seconds = longest_seconds
        self._waiting: Queue[tuple[tuple[str, ...], bytes] | None] = Queue(MOST_WAITING)
        self._stopping = Event()
        self._thread = Thread(target=self._work, name="alert commands", daemon=True)

    def start(self) -> None:
        """Start running commands."""
        self._thread.start()

    def stop(self) -> None:
        """Stop; after 2 seconds, drop waiting commands and kill the running one."""
        with suppress(Full):
            self._waiting.put_nowait(None)
            self._thread.join(STOPS_SECONDS)
        self._stopping.set()
        self._thread.join(STOPS_SECONDS)

    def run(self, command: Sequence[str], payload: bytes) -> None:
        """Queue a command; returns at once, from any thread.

        Parameters
        ----------
        command
            The path of a program, and its arguments.
        payload
            Its standard input.
        """
        try:
            self._waiting.put_nowait((tuple(command), payload))
        except Full:
            _log.error("too many alerts wait for the command; this one is dropped", command=command)

    def _work(self) -> None:
        while not self._stopping.is_set() and (job := self._waiting.get()) is not None:
            try:
                self._run(*job)
            except Exception as error:  # noqa: BLE001 - the next alert may succeed
                why = getattr(error, "strerror", None) or str(error)
                _log.error("the command for alerts can't be run", command=job[0], why=why)

    def _run(self, command: tuple[str, ...], payload: bytes) -> None:
        program = str(Path(command[0]).absolute())  # a bare name would be searched for elsewhere
        with _file_of_fixed_size(MOST_OUTPUT_BYTES) as output, tempfile.TemporaryFile() as stdin:
            stdin.write(payload)
            stdin.seek(0)
            running = subprocess.Popen(  # noqa: S603 - it is the user's own, and there is no shell
                [program, *command[1:]],
                stdin=stdin, stdout=output, stderr=subprocess.STDOUT, start_new_session=True,
            )  # fmt: skip
            code = self._wait_for_end(running)
            output.seek(0)
            text = output.read(_LOGGED_BYTES).rstrip(b"\0").decode(errors="replace").strip()
        if code == 0:
            _log.info("the command for alerts has run", command=command, output=text)
        else:
            why = f"killed after {self._longest_seconds:g} s" if code is None else f"exit {code}"
            _log.error("the command for alerts failed", command=command, why=why, output=text)

    def _wait_for_end(self, running: subprocess.Popen[bytes]) -> int | None:
        """Wait for its end and return its exit code; None if it had to be killed."""
        left = self._longest_seconds
        while left > 0 and not self._stopping.is_set():
            with suppress(subprocess.TimeoutExpired):
                return running.wait(min(_LOOKS_EVERY_SECONDS, left))
            left -= _LOOKS_EVERY_SECONDS
        with suppress(ProcessLookupError):
            os.killpg(running.pid, signal.SIGKILL)
        running.wait()
        return None


def _file_of_fixed_size(size_bytes: int) -> BinaryIO:
    """Create a file in memory, full of zeros, that nobody can make longer or shorter."""
    file = os.fdopen(os.memfd_create("output", os.MFD_CLOEXEC | os.MFD_ALLOW_SEALING), "w+b")
    file.truncate(size_bytes)
    fcntl.fcntl(file, fcntl.F_ADD_SEALS, fcntl.F_SEAL_GROW | fcntl.F_SEAL_SHRINK)
    return file
