"""Return free memory to the system. The only module that calls the C library."""

from __future__ import annotations

import ctypes
from time import monotonic
from typing import Final

_LIBRARY: Final = ctypes.CDLL(None)

_AGAIN_AFTER_SECONDS: Final = 1.0


class MemoryReturn:
    """Returns the memory that a plan needed, some 15 MB, to the system.

    Otherwise glibc would keep it for the next plan. Does nothing with a C library without this
    call, such as musl.
    """

    def __init__(self) -> None:
        self._due = 0.0

    def give_back(self) -> None:
        """Return free memory, but once a second at most: it takes a millisecond.

        A rehearsal of a month wakes the daemon hundreds of times a second.
        """
        now = monotonic()
        if now >= self._due:
            self._due = now + _AGAIN_AFTER_SECONDS
            give_back_memory()


def give_back_memory() -> None:
    """Return free memory to the system at once."""
    trim = getattr(_LIBRARY, "malloc_trim", None)
    if trim is not None:
        trim(0)
