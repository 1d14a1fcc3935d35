"""Why a request is refused: a code for programs, and the reason for people. Pure."""

from __future__ import annotations

from typing import Final, NamedTuple

UNKNOWN_VEHICLE: Final = "unknown-vehicle"
HAS_PASSED: Final = "has-passed"
IN_TIME_AWAY: Final = "in-time-away"
NO_DEPARTURE: Final = "no-departure"
UNKNOWN_WISH: Final = "unknown-wish"
MALFORMED: Final = "malformed"

REFUSALS: Final = (
    UNKNOWN_VEHICLE, HAS_PASSED, IN_TIME_AWAY, NO_DEPARTURE, UNKNOWN_WISH, MALFORMED,
)  # fmt: skip
"""All codes."""


class Refusal(NamedTuple):
    """Why a request can't be obeyed."""

    code: str
    """One of `REFUSALS`."""

    reason: str
    """One line."""
