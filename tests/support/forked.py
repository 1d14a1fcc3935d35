"""Run many `lullwatt` commands from one process that has loaded its modules before.

Each start of the program takes far longer than what a short command does. Here one process forks
for each command, which gets the caller's arguments, folder, environment, umask and standard
streams. Python's own variables count only in a real start: `tests/daemon/command_line`,
`tests/release` and the daemon of `tests/deploy/test_guide.py` make them.
"""

from __future__ import annotations

import atexit
import importlib
import json
import os
import pkgutil
import signal
import socket
import subprocess
import sys
import time
import traceback
from functools import cache
from pathlib import Path
from tempfile import mkdtemp
from typing import NoReturn

from daemon.command_line.cli import main

_LOADED = ("config", "adapters.ledger", "adapters.wired", "daemon.check", "daemon.start_file")
CALLER = """\
import array, json, os, socket, sys
umask = os.umask(0)
call = json.dumps([sys.argv[2:], os.getcwd(), dict(os.environ), umask]).encode() + b"\\n"
streams = (socket.SOL_SOCKET, socket.SCM_RIGHTS, array.array("i", range(3)))
with socket.socket(socket.AF_UNIX) as to:
    to.connect(sys.argv[1])
    to.sendmsg([b"."], [streams])
    to.sendall(call)
    sys.exit(int(to.recv(9) or b"70"))
"""
_NO_SUCH_USE = 64


def starts(place: Path) -> tuple[str, ...]:
    """Return the command that starts the process in a folder; it prints a line when it listens."""
    return (sys.executable, "-m", "tests.support.forked", str(place / "socket"))


def calls(place: Path) -> tuple[str, ...]:
    """Return the command that has the process of a folder with `CALLER` run what follows."""
    return (sys.executable, "-I", "-S", str(place / "caller.py"), str(place / "socket"))


@cache
def caller() -> tuple[str, ...]:
    """Start the process, once; return the command that has it run the one that follows."""
    place = Path(mkdtemp(prefix="lullwatt-forked-"))
    (place / "caller.py").write_text(CALLER, "utf-8")
    server = subprocess.Popen(starts(place), stdout=subprocess.PIPE, cwd=Path(__file__).parents[2])
    atexit.register(_end, server, place)
    assert server.stdout is not None
    server.stdout.readline()  # it listens
    return calls(place)


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
                _run(call)
            call.close()


def _run(call: socket.socket) -> NoReturn:
    """Run the command of a caller in this process, and send its exit code."""
    _, streams, _, _ = socket.recv_fds(call, 1, 3)
    arguments, folder, environment, umask = json.loads(call.makefile("rb").readline())
    for ours, theirs in enumerate(streams):
        os.dup2(theirs, ours)
        os.close(theirs)
    os.chdir(folder)
    os.umask(umask)
    os.environ.clear()
    os.environ.update(environment)
    time.tzset()
    sys.stdin, sys.stdout, sys.stderr = (
        open(number, mode, closefd=False)  # noqa: SIM115 - no path
        for number, mode in enumerate(("r", "w", "w"))
    )
    code = _code_of(arguments)
    sys.stdout.flush()
    sys.stderr.flush()
    call.sendall(str(code).encode())
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
