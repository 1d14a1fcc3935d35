"""Warn that a price series has ended, and clear the alert when new prices come. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.control.alerts import PRICES_ENDED, ClearedBy, clear_alerts, raise_alert
from daemon.control.events import Note
from daemon.control.state import speaks_for_household

if TYPE_CHECKING:
    from daemon.control.events import Action
    from daemon.control.state import House, PointState
    from planners.rates.known import RateKnowledge


def check_prices(
    state: PointState, known: RateKnowledge | None, house: House
) -> tuple[PointState, tuple[Action, ...]]:
    """Raise an alert if the prices have ended, and clear it when new ones come.

    A gap before prices that are known again is no end. The prices belong to the whole household,
    so its first charge point raises the alert.

    Parameters
    ----------
    state : PointState
        What is known of a charge point.
    known : RateKnowledge or None
        What is known of the rates now.
    house : House
        The household file and the rates.

    Returns
    -------
    state : PointState
        With the alert or without.
    actions : tuple of Action
        The warning or the note, if that is news.
    """
    if known is None or not speaks_for_household(state, house):
        return state, ()
    if known.now == "known" and PRICES_ENDED in state.alerts:
        note = Note("prices-came-again", {"tariff": known.tariff})
        return clear_alerts(state, ClearedBy.NEW_PRICES), (note,)
    stopped = known.now == "estimated" and known.resumes is None
    if not stopped or known.until is None:
        return state, ()
    ended = known.until.astimezone(house.file.zone)
    return raise_alert(state, PRICES_ENDED, tariff=known.tariff, ended=ended)
