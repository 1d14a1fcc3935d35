"""Say in words what equipment that speaks OCPP can, and what it can not."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from adapters.ocpp_point.abilities import Abilities

_UNIT_WORDS: Final = {"A": "amperes", "W": "watts"}
_MANY_PERIODS: Final = 2


def abilities_in_words(known: Abilities) -> Iterator[str]:
    """Say what equipment can.

    Parameters
    ----------
    known
        What it has said, and what was seen.

    Yields
    ------
    str
        Short sentences without a full stop.
    """
    if known == Abilities():
        yield "it has not said yet what it can: it is asked when it connects"
        return
    if known.model:
        yield f"it is a {known.model}"
    if known.version:
        yield f"it speaks OCPP {known.version}"
    if not known.answered:
        asked = "GetVariables" if known.version else "GetConfiguration"
        yield f"it does not say what it can ({asked})"
    yield _current(known)
    if known.switches_phases:
        yield "it says that it can switch between one phase and three"
    if known.asks_who is False:
        yield "it charges whoever plugs in, without a card or app"


def lacks_in_words(known: Abilities, *, sets_current: bool) -> Iterator[str]:
    """Say what equipment can't, and what to do about it.

    Parameters
    ----------
    known
        What it has said, and what was seen.
    sets_current
        Whether the household file counts on a current that can be set.

    Yields
    ------
    str
        Sentences without a full stop.
    """
    if known == Abilities():
        return
    can_set = known.may_have("TxProfile") or known.may_have("TxDefaultProfile")
    if sets_current and not can_set:
        yield (
            "its current can't be set over OCPP: say switching: on_off, and as max_amps the current"
            " that it gives by itself"
        )
    if not can_set:
        yield "if the daemon or the network fails, it goes on until the vehicle is full"
    if not known.may_have("TxDefaultProfile"):
        yield (
            "a charge that begins while the daemon is away does not wait: let the equipment ask for"
            " a card or its app, or plug in while the daemon runs"
        )
    elif known.periods_to_send < _MANY_PERIODS and can_set:
        yield "it stores one period: alone it charges until the command ends, not by the plan"
    if can_set and known.pause_ends:
        yield (
            "each pause ends its transaction: set its TxStopPoint to EVConnected, if its page or"
            " app lets you"
        )
    if can_set and not known.may_have("ChargePointMaxProfile"):
        yield "it stores no highest current: set that in the equipment itself"


def _current(known: Abilities) -> str:
    how = {
        "TxProfile": "by a profile of each charge",
        "TxDefaultProfile": "by its default profile",
    }
    way = next((words for purpose, words in how.items() if known.may_have(purpose)), None)  # type: ignore[arg-type]
    if way is None:
        return "it is only started and stopped"
    units = " or ".join(_UNIT_WORDS[unit] for unit in known.units) or "amperes or watts"
    with_start = "" if known.may_have("with-start") else ", once that has begun"
    most = known.most_periods
    periods = "" if most is None else f", with {most} period{'' if most == 1 else 's'} at the most"
    return f"its current is set {way}{with_start}, in {units}{periods}"
