"""Run many `lullwatt` commands and daemons from one process that has loaded their modules.

Each start of the program takes far longer than what a short command does. Here one process forks
for each command, which gets the caller's arguments, folder, environment, umask and standard
streams. Python's own variables count only in a real start: `tests/daemon/command_line`,
`tests/release`, the daemon of `tests/deploy/test_guide.py` and a few daemons of
`tests/daemon/service` make them.
"""

from __future__ import annotations

import atexit
import importlib
import json
import os
import pkgutil
import select
import signal
import socket
import subprocess
import sys
import threading
import time
import traceback
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from tempfile import mkdtemp
from typing import IO, NoReturn

from daemon.command_line.cli import main

_LOADED = (
    "config", "adapters.ledger", "adapters.wired", "daemon.check", "daemon.service",
    "daemon.start_file",
)  # fmt: skip
_PID_DIGITS = 8
CALLER = """\
import array, json, os, socket, sys
umask = os.umask(0)
call = json.dumps([sys.argv[2:], os.getcwd(), dict(os.environ), umask]).encode() + b"\\n"
streams = (socket.SOL_SOCKET, socket.SCM_RIGHTS, array.array("i", range(3)))
with socket.socket(socket.AF_UNIX) as to:
    to.connect(sys.argv[1])
    to.sendmsg([b"."], [streams])
    to.sendall(call)
    to.recv(8, socket.MSG_WAITALL)  # the number of its process
    sys.exit(int(to.recv(9) or b"70"))
"""
_NO_SUCH_USE = 64


def starts(place: Path) -> tuple[str, ...]:
    """Return the command that starts the process in a folder; it prints a line when it listens."""
    return (sys.executable, "-m", "tests.support.forked", str(place / "socket"))


def calls(place: Path) -> tuple[str, ...]:
    """Return the command that has the process of a folder with `CALLER` run what follows."""
    return (sys.executable, "-I", "-S", str(place / "caller.py"), str(place / "socket"))


def caller() -> tuple[str, ...]:
    """Start the process, once; return the command that has it run the one that follows."""
    return calls(_started())


class Forked:
    """A command in a process that was forked for it, with what tests need of a `Popen`."""

    def __init__(
        self, command: Sequence[str | Path], *, stderr: IO[bytes], **environment: str
    ) -> None:
        self.returncode: int | None = None
        umask = os.umask(0)
        os.umask(umask)
        arguments, folder = [str(word) for word in command], str(Path.cwd())
        call = [arguments, folder, os.environ | environment, umask]
        self._keeper = socket.socket(socket.AF_UNIX)
        self._keeper.connect(str(_started() / "socket"))
        socket.send_fds(self._keeper, [b"."], [0, 1, stderr.fileno()])
        self._keeper.sendall(json.dumps(call).encode() + b"\n")
        self.pid = int(self._keeper.recv(_PID_DIGITS, socket.MSG_WAITALL))

    def send_signal(self, number: int) -> None:
        if self.poll() is None:
            os.kill(self.pid, number)

    def terminate(self) -> None:
        self.send_signal(signal.SIGTERM)

    def kill(self) -> None:
        self.send_signal(signal.SIGKILL)

    def poll(self) -> int | None:
        if self.returncode is None and select.select([self._keeper], [], [], 0)[0]:
            self.returncode = int(self._keeper.recv(9))
            self._keeper.close()
        return self.returncode

    def wait(self, timeout: float) -> int:
        """Wait for the end; return the exit code, or the signal that ended it as -N."""
        if self.returncode is None:
            select.select([self._keeper], [], [], timeout)
        code = self.poll()
        assert code is not None, "it has not ended"
        return code


@cache
def _started() -> Path:
    """Start the process, once; return its folder."""
    place = Path(mkdtemp(prefix="lullwatt-forked-"))
    (place / "caller.py").write_text(CALLER, "utf-8")
    server = subprocess.Popen(starts(place), stdout=subprocess.PIPE, cwd=Path(__file__).parents[2])
    atexit.register(_end, server, place)
    assert server.stdout is not None
    server.stdout.readline()  # it listens
    return place


def _end(server: subprocess.Popen[bytes], place: Path) -> None:
    server.terminate()
    server.communicate()
    for path in place.iterdir():
        path.unlink()
    place.rmdir()


def _serve(place: str) -> NoReturn:
    for name in _LOADED:
        package = importlib.import_module(name)
        for module in pkgutil.walk_packages(package.__path__, f"{name}."):
            importlib.import_module(module.name)
    with socket.socket(socket.AF_UNIX) as listening:
        listening.bind(place)
        listening.listen()
        sys.stdout.write("listening\n")
        sys.stdout.flush()
        signal.signal(signal.SIGCHLD, signal.SIG_IGN)  # nobody waits for the children
        while True:
            call, _ = listening.accept()
            if os.fork() == 0:
                signal.signal(signal.SIGCHLD, signal.SIG_DFL)
                listening.close()
                _keep(call)
            call.close()


def _keep(call: socket.socket) -> NoReturn:
    """Run the command of a caller in a child; send its number and, at its end, its exit code."""
    _, streams, _, _ = socket.recv_fds(call, 1, 3)
    line = call.makefile("rb").readline()
    child = os.fork()
    if child == 0:
        call.close()
        _run(streams, *json.loads(line))
    for theirs in streams:
        os.close(theirs)
    call.sendall(f"{child:{_PID_DIGITS}}".encode())
    code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    call.sendall(str(code).encode())
    os._exit(0)


def _run(
    streams: Sequence[int],
    arguments: list[str],
    folder: str,
    environment: dict[str, str],
    umask: int,
) -> NoReturn:
    """Run a command in this process, with what its caller has."""
    for ours, theirs in enumerate(streams):
        os.dup2(theirs, ours)
        os.close(theirs)
    os.chdir(folder)
    os.umask(umask)
    os.environ.clear()
    os.environ.update(environment)
    time.tzset()
    sys.stdin, sys.stdout, sys.stderr = (
        open(number, mode, buffering, closefd=False)  # noqa: SIM115 - no path
        for number, (mode, buffering) in enumerate((("r", -1), ("w", -1), ("w", 1)))
    )
    code = _code_of(arguments)
    for thread in threading.enumerate():
        if thread is not threading.current_thread() and not thread.daemon:
            thread.join()  # as the interpreter does
    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(code)


def _code_of(arguments: list[str]) -> int:
    """Run `lullwatt ARGUMENTS` or `-c CODE ARGUMENTS`; return its exit code."""
    program, *rest = arguments
    try:
        if program == "lullwatt":
            sys.argv = arguments
            main()
        if program != "-c":
            return _NO_SUCH_USE
        sys.argv = ["-c", *rest[1:]]
        exec(rest[0], {"__name__": "__main__"})  # noqa: S102 - what python -c does
    except SystemExit as error:
        return error.code if isinstance(error.code, int) else int(error.code is not None)
    except BaseException:  # noqa: BLE001 - as the interpreter does
        traceback.print_exc()
        return 1
    return 0


if __name__ == "__main__":
    _serve(sys.argv[1])
