"""Have long computations done by a process of its own, which never outlives this one.

The worker is a Python module that calls `serve`. It has a low priority, and ends when its standard
input is closed: the operating system does that as well if this process is killed.
"""

from __future__ import annotations

import os
import signal
import sys
from contextlib import suppress
from multiprocessing.connection import Connection, Pipe
from subprocess import DEVNULL, PIPE, Popen
from threading import Event, Thread, Timer
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

LOW_PRIORITY: Final = 10
"""How much nicer than this process a worker is."""

HURRY: Final = signal.SIGUSR1

ENDS_SECONDS: Final = 5.0
"""How long a worker that was killed may take to end."""


class WorkerFailed(Exception):  # noqa: N818 - it says what happened
    """The worker has died, was killed because it was late, or sent what can't be read.

    Parameters
    ----------
    reason : str
        What happened.
    was_late : bool
        Whether it was killed because it was late.
    """

    def __init__(self, reason: str, *, was_late: bool = False) -> None:
        super().__init__(reason)
        self.was_late = was_late


class WorkerProcess:
    """One worker.

    Parameters
    ----------
    module : str
        The name of the Python module that it runs.
    """

    def __init__(self, module: str) -> None:
        self._connection, theirs = Pipe()
        with theirs:
            # The module must not be looked for in the folder that the daemon was started in.
            self._process = Popen(  # noqa: S603 - our own module
                [sys.executable, "-P", "-m", module, str(theirs.fileno())],
                stdin=PIPE, stdout=DEVNULL, pass_fds=[theirs.fileno()], start_new_session=True,
            )  # fmt: skip

    @property
    def pid(self) -> int:
        """Its process id."""
        return self._process.pid

    def ask(self, question: object, limit_seconds: float) -> Iterable[Any]:
        """Ask a question, and give the answers as they come.

        Parameters
        ----------
        question : object
            Can be pickled.
        limit_seconds : float
            The worker is killed if its last answer takes longer.

        Yields
        ------
        object
            Each answer. The caller checks what it is.

        Raises
        ------
        WorkerFailed
            If the worker did not give its last answer. It is of no more use then.
        """
        late = Event()

        def stop() -> None:
            late.set()
            self._process.kill()

        too_late = Timer(limit_seconds, stop)
        too_late.start()
        try:
            self._connection.send(question)
            while (answers := self._connection.recv()) != ():
                (answer,) = answers
                yield answer
        except Exception as error:
            # Whatever it sent may have been nonsense: reading it raises all kinds of errors.
            raise WorkerFailed(repr(error), was_late=late.is_set()) from error
        finally:
            too_late.cancel()

    def hurry(self) -> None:
        """Let it end what it is about soon; only once it has given an answer."""
        self._process.send_signal(HURRY)

    def kill(self) -> None:
        """End it at once; from any thread, and more than once."""
        self._process.kill()

    def close(self) -> None:
        """Kill it, and wait for its end."""
        self._process.kill()
        self._process.wait(ENDS_SECONDS)
        if self._process.stdin is not None:
            self._process.stdin.close()
        self._connection.close()


def serve(
    answer: Callable[[Any, Callable[[object], None], Callable[[], bool]], None],
    niceness: int = LOW_PRIORITY,
) -> None:
    """Answer questions until the other process ends; the worker's main function.

    Parameters
    ----------
    answer : callable
        Gets a question, a function that sends an answer, and one that tells whether it is hurried.
    niceness : int
        How much nicer than the other process it is.
    """
    Thread(target=_end_with_parent, daemon=True).start()
    # A service manager sends it to all processes of a service; this one ends with its parent.
    signal.signal(signal.SIGTERM, signal.SIG_IGN)
    with suppress(OSError):  # a service manager may forbid it
        os.nice(niceness)
    hurry = Event()
    signal.signal(HURRY, lambda *_: hurry.set())
    with suppress(EOFError, BrokenPipeError), Connection(int(sys.argv[1])) as connection:
        while True:
            question = connection.recv()
            hurry.clear()
            answer(question, lambda each: connection.send((each,)), hurry.is_set)
            connection.send(())


def _end_with_parent() -> None:
    """End this process when nobody holds its standard input any more."""
    with suppress(OSError):
        while os.read(0, 1):
            pass
    os._exit(0)
