"""Return free memory to the system. The only module that calls the C library."""

from __future__ import annotations

import ctypes

_LIBRARY = ctypes.CDLL(None)


def give_back_memory() -> None:
    """Return the memory that a plan needed, some 15 MB, to the system.

    Otherwise glibc would keep it for the next plan. Takes a millisecond. Does nothing with a C
    library without this call, such as musl.
    """
    trim = getattr(_LIBRARY, "malloc_trim", None)
    if trim is not None:
        trim(0)
