"""What `lullwatt wiring` does with equipment that speaks OCPP: show it, try it out, release it."""

from __future__ import annotations

import json
from contextlib import ExitStack, contextmanager
from functools import partial
from typing import TYPE_CHECKING

import click

from adapters.clocks.clock import SystemClock
from adapters.ledger.ledger import open_ledger
from adapters.ledger.lock import lock_ledger
from adapters.ocpp_point.remembered import Remembered, remembered_at
from adapters.ocpp_point.words import abilities_in_words, lacks_in_words
from config.files.errors import BusError, UnwellError, UsageError
from daemon.presentation.output import say
from daemon.trial.ocpp_trial import OcppTrial

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from config.household.household_file import HouseholdFile

LISTEN_SECONDS = 60.0
CONNECTS_SECONDS = 300.0
"""Equipment that has lost its central system may try again only every few minutes."""

CAUTION = """\
This takes the limits of Lullwatt out of {names}. From then on
it charges as it did before: at its own full current, as soon as a vehicle is plugged in, or
when its card or app says so. A vehicle that is plugged in now may begin to charge at once."""

BY_HAND = (
    "clear the charging profiles with the equipment's own app or page (some call it smart charging,"
    " load management or factory settings), or let another central system send it"
    " ClearChargingProfile"
)


def show_equipment(
    file: HouseholdFile, name: str, listen: float | None, tell: Callable[[str], None]
) -> None:
    """Say what equipment can, and show its messages if it can connect to this process.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    name : str
        The charge point.
    listen : float or None
        How long to listen [seconds].
    tell : callable
        Takes a line of text.
    """
    _tell_abilities(file, name, tell)
    try:
        with OcppTrial(file, SystemClock(), tell, charge_point=name) as trial:
            tell(f"Listening to {name} by OCPP.")
            trial.wait(lambda _latest: False, LISTEN_SECONDS if listen is None else listen)
    except BusError as error:
        tell(f"Its messages can't be shown: {error}. If that is the daemon, see lullwatt status.")
        return
    _tell_abilities(file, name, tell)


def _tell_abilities(file: HouseholdFile, name: str, tell: Callable[[str], None]) -> None:
    known = Remembered(remembered_at(file.ledger.path)).of(name)
    sets_current = file.charge_points[name].switching == "current"
    for words in (*abilities_in_words(known), *lacks_in_words(known, sets_current=sets_current)):
        tell(f"{name}: {words}.")


@contextmanager
def trying_out(
    file: HouseholdFile, name: str, listen: float | None, tell: Callable[[str], None]
) -> Iterator[OcppTrial]:
    """Wait until equipment has connected, for an exercise.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    name : str
        The charge point.
    listen : float or None
        How long to wait [seconds].
    tell : callable
        Takes a line of text.

    Yields
    ------
    OcppTrial
        The equipment. At the end it is given time to accept its last command.

    Raises
    ------
    UnwellError
        If it does not connect.
    """
    with ExitStack() as ending:
        ending.enter_context(lock_ledger(file.ledger.path))
        ledger = ending.enter_context(open_ledger(file.ledger.path))
        trial = ending.enter_context(
            OcppTrial(file, SystemClock(), tell, charge_point=name, ledger=ledger)
        )
        seconds = CONNECTS_SECONDS if listen is None else listen
        tell(f"Waiting until {name} connects by OCPP, for {seconds:.0f} s at the most.")
        if not trial.connected(name, seconds):
            raise UnwellError(
                f"{name} has not connected: compare the address, identity and password in its"
                " settings with ocpp in the household file, or switch it off and on again"
            )
        _tell_abilities(file, name, tell)
        yield trial


def release_equipment(
    file: HouseholdFile,
    charge_point: str | None,
    listen: float | None,
    *,
    is_sure: bool,
    as_json: bool,
) -> None:
    """Clear all charging profiles of the daemon in equipment that speaks OCPP.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    charge_point : str or None
        One charge point; None for all.
    listen : float or None
        How long to wait for each to connect [seconds].
    is_sure : bool
        Whether not to ask.
    as_json : bool
        Whether to print JSON.

    Raises
    ------
    UsageError
        If the answer is no, or the charge point speaks no OCPP.
    UnwellError
        If profiles stay in some equipment, with what to do.
    """
    speaking = [name for name, point in file.charge_points.items() if point.ocpp is not None]
    if charge_point is not None and charge_point not in speaking:
        raise UsageError(f"--charge-point: {charge_point!r} speaks no OCPP: it stores no limits")
    names = speaking if charge_point is None else [charge_point]
    tell = partial(say, err=as_json)
    if not names:
        tell("No charge point of the file speaks OCPP: none stores limits.")
    else:
        say(CAUTION.format(names=", ".join(names)), err=True)
        if not is_sure and click.prompt("Type yes to go on", default="no", err=True) != "yes":
            raise UsageError("nothing was sent; type yes at the question, or add --yes")
    seconds = CONNECTS_SECONDS if listen is None else listen
    left = _release(file, names, seconds, tell) if names else {}
    if as_json:
        say(json.dumps(left, indent=2))
    if troubles := [f"{name} ({words})" for name, words in left.items() if words]:
        raise UnwellError(f"limits of Lullwatt may stay in {'; '.join(troubles)}: {BY_HAND}")


def _release(
    file: HouseholdFile, names: list[str], seconds: float, tell: Callable[[str], None]
) -> dict[str, str]:
    """Release charge points; return for each what is left, or an empty text."""
    found = {}
    with (
        lock_ledger(file.ledger.path),
        OcppTrial(file, SystemClock(), tell, charge_point=names[0]) as trial,
    ):
        for name in names:
            tell(f"Waiting until {name} connects by OCPP, for {seconds:.0f} s at the most.")
            if not trial.connected(name, seconds):
                found[name] = "it has not connected"
                continue
            left = trial.release(name)
            found[name] = "it did not answer" if left is None else ", ".join(left)
            if not found[name]:
                tell(f"{name}: all limits of Lullwatt are cleared.")
    return found
