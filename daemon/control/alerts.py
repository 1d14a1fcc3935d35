"""What a person is told of: every code, and how each is said once while it holds. Pure."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from daemon.control.events import Warn

if TYPE_CHECKING:
    from daemon.control.events import Action
    from daemon.control.state import PointState

NO_DEPARTURE = "no-departure"
NO_RATE = "no-rate"
OUT_OF_REACH = "need-out-of-reach"
NO_POWER = "no-power-after-start"
POWER = "power-after-stop"
NO_READING = "no-reading"
ENDED_SHORT = "ended-short-of-need"
PRICES_ENDED = "prices-ended"
BROKER_REFUSES = "broker-refuses"
NOBODY_LISTENS = "nobody-listens"

LEDGER_REFUSES = "ledger-refuses"
NO_BACKUP = "no-backup"

OF_THE_LEDGER = frozenset({LEDGER_REFUSES, NO_BACKUP})
"""What is wrong with the record of the whole household."""

OF_THE_BUS = frozenset({BROKER_REFUSES, NOBODY_LISTENS})
"""What is wrong with what is published: found out anew by each process."""

WITHOUT_VEHICLE = OF_THE_LEDGER | OF_THE_BUS | frozenset({POWER, NO_READING, PRICES_ENDED})
"""What holds whether or not a vehicle is there, and for whichever departure."""


def warn_once(state: PointState, code: str, message: str) -> tuple[PointState, tuple[Action, ...]]:
    """Raise an alert, unless it is said already and still holds.

    Parameters
    ----------
    state : PointState
        What is known; `said` are the alerts that hold.
    code : str
        For programs.
    message : str
        For people.

    Returns
    -------
    state : PointState
        With the code among what is said.
    actions : tuple of Action
        The alert, or nothing.
    """
    if code in state.said:
        return state, ()
    return replace(state, said=state.said | {code}), (Warn(code, message),)
