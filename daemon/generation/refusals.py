"""Report once that something from outside was dropped, and once that a good one came."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from daemon.control.events import HouseholdHealth

if TYPE_CHECKING:
    from daemon.control.events import HealthCode

MOST_OF_A_REASON: Final = 600
"""The longest reason in an alert."""


class Refusals:
    """Why the last of each source was dropped, by the name of the source.

    Parameters
    ----------
    code : str
        The alert's code.
    """

    def __init__(self, code: HealthCode) -> None:
        self._code = code
        self._reasons: dict[str, str] = {}
        self._reported: str | None = None

    def note(self, source: str, reason: str | None) -> None:
        """Note why the last one of a source was dropped; None if it was good."""
        self._reasons.pop(source, None)
        if reason is not None:
            self._reasons[source] = reason

    def news(self) -> HouseholdHealth | None:
        """Report what has not been reported yet, if anything."""
        reason = next(iter(self._reasons.values()), None)
        if reason == self._reported:
            return None
        was_reported, self._reported = self._reported, reason
        if reason is not None and was_reported is not None:
            return None  # the alert stands
        return HouseholdHealth(self._code, None if reason is None else reason[:MOST_OF_A_REASON])
