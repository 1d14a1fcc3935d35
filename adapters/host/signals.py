"""Pass on the signals of the operating system, on a separate thread.

Python calls a signal's handler between two steps of the main thread. A main thread that is just
about to wait takes no step, and the kernel may give the signal to another thread. The handler then
runs only when the main thread has stopped waiting. So the signal's number is written to a socket as
soon as it arrives, and a thread reads that socket.
"""

from __future__ import annotations

import signal
import socket
from contextlib import contextmanager
from threading import Thread
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

_ENDING: Final = (signal.SIGTERM, signal.SIGINT)


@contextmanager
def heed_signals(calls: Mapping[signal.Signals, Callable[[], None]]) -> Iterator[None]:
    """Call a function for each signal that arrives, on a separate thread.

    The second SIGTERM or SIGINT ends the process at once. The block must run on the main thread.
    After the block nothing is called any more.

    Parameters
    ----------
    calls : mapping of Signals to callable
        The function for each signal.

    Yields
    ------
    None
        Once signals are passed on.
    """
    arriving, written = socket.socketpair()
    written.settimeout(0)  # the operating system must never wait

    def pass_on() -> None:
        while number := arriving.recv(1):
            calls[signal.Signals(number[0])]()

    thread = Thread(target=pass_on, name="signals", daemon=True)
    thread.start()
    signal.set_wakeup_fd(written.fileno())
    for number in calls:
        signal.signal(number, _end_at_the_next if number in _ENDING else _already_passed_on)
    try:
        yield
    finally:
        signal.set_wakeup_fd(-1)
        written.close()
        thread.join()
        arriving.close()


def _end_at_the_next(number: int, _frame: object) -> None:
    signal.signal(number, signal.SIG_DFL)


def _already_passed_on(_number: int, _frame: object) -> None:
    """Do nothing: without a handler the signal would end the process."""
