"""Who is told that a price series has ended, and when that is taken back. Pure."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from daemon.control.alerts import PRICES_ENDED, warn_once
from daemon.control.events import Note

if TYPE_CHECKING:
    from daemon.control.events import Action
    from daemon.control.state import House, PointState
    from planners.rates.known import RateKnowledge


def mind_prices(
    state: PointState, known: RateKnowledge | None, house: House
) -> tuple[PointState, tuple[Action, ...]]:
    """Raise an alert where the prices have ended, once, and take it back when new ones come.

    A hole is none: prices that are known again later are on their way. The prices are the whole
    household's: its first charge point speaks for all.

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
        With the alert among what is said, or without.
    actions : tuple of Action
        What to say.
    """
    if known is None or state.charge_point != next(iter(house.file.charge_points)):
        return state, ()
    if known.now == "known" and PRICES_ENDED in state.said:
        note = Note("prices-came-again", {"tariff": known.tariff})
        return replace(state, said=state.said - {PRICES_ENDED}), (note,)
    stopped = known.now == "estimated" and known.resumes is None
    if not stopped or known.until is None:
        return state, ()
    ended = known.until.astimezone(house.file.zone)
    message = (
        f"The prices of {known.tariff} ended on {ended:%a %d %b} at {ended:%H:%M}: until new ones"
        " come, plans rest on estimates."
    )
    return warn_once(state, PRICES_ENDED, message)
