"""Say what a received home's household did not share; refuse what can't be reckoned without it."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import TYPE_CHECKING, NamedTuple

from config.extract.received import received_beside
from config.files.errors import TariffError, UsageError

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path

    from config.extract.received import Received, ReceivedMonth
    from daemon.control.state import House
    from planners.local_time.settlement import HalfHour


LAST_DAY = 28
"""A day that every month has; a tariff seldom changes after it."""


class SharedMonth(NamedTuple):
    """What a month of a received home has.

    Attributes
    ----------
    has_half_hours : bool
        Whether half-hours were shared.
    alerts : tuple of (str, int)
        Codes of alerts, and how many there were of each.
    remarks : tuple of str
        Sentences about what was not shared.
    lacks_capacity : bool
        Whether the tariff has a capacity charge, which can't be reckoned from an extract.
    """

    has_half_hours: bool
    alerts: tuple[tuple[str, int], ...] = ()
    remarks: tuple[str, ...] = ()
    lacks_capacity: bool = False


def shared_month(file: Path, house: House, when: tuple[int, int]) -> SharedMonth | None:
    """Return what the household of a received home shared of a month; None for a home of one's own.

    Parameters
    ----------
    file : Path
        The household file.
    house : House
        The home.
    when : tuple of int
        Year and calendar month.

    Returns
    -------
    SharedMonth or None
        Empty for a month of which nothing was received.
    """
    received = received_beside(file)
    if received is None:
        return None
    month = received.month(when)
    if month is None:
        return SharedMonth(has_half_hours=False)
    alerts = tuple((each.code, each.count) for each in month.alerts)
    lacks_capacity = _has_capacity_charge(house, when)
    return SharedMonth(month.shares.half_hours, alerts, (_remark(month),), lacks_capacity)


def _has_capacity_charge(house: House, when: tuple[int, int]) -> bool:
    try:
        return house.prices.tariff_on(date(*when, LAST_DAY)).capacity_charge is not None
    except TariffError:
        return False


def _remark(month: ReceivedMonth) -> str:
    withheld = _withheld(month)
    missing = f" Not shared: {', '.join(withheld)}." if withheld else ""
    return f"From an extract, for “{month.purpose}”; it may be read until {month.until}.{missing}"


def not_shared(file: Path, nights: Iterable[date]) -> str:
    """Say what a received home did not share of some nights; empty for a home of one's own."""
    received = received_beside(file)
    if received is None:
        return ""
    months = [received.month((each.year, each.month)) for each in nights]
    withheld = dict.fromkeys(
        words for month in months if month is not None for words in _withheld(month)
    )
    return f"From extracts. Not shared: {', '.join(withheld)}." if withheld else "From extracts."


def _withheld(month: ReceivedMonth) -> list[str]:
    words = {
        "half-hours": month.shares.half_hours,
        "state of charge": month.shares.soc,
        "plug-in times": month.shares.plug_in_times,
    }
    return [each for each, shared in words.items() if not shared]


def is_received(file: Path) -> bool:
    """Whether a home came as extracts."""
    return received_beside(file) is not None


def only_shared(file: Path, half_hours: Sequence[HalfHour], what: str) -> tuple[HalfHour, ...]:
    """Keep the half-hours that a received home shared; the energy of all others is not known.

    Parameters
    ----------
    file : Path
        The household file.
    half_hours : sequence of HalfHour
        As its ledger has them.
    what : str
        What needs them, such as ``"--half-hours"``.

    Returns
    -------
    tuple of HalfHour
        The same ones for a home of one's own.

    Raises
    ------
    UsageError
        If none of them was shared.
    """
    received = received_beside(file)
    if received is None:
        return tuple(half_hours)
    kept = tuple(
        each
        if received.has_half_hour(each.start, each.end)
        else replace(each, wh=None, estimated_wh=0)
        for each in half_hours
    )
    if all(each.wh is None for each in kept):
        raise UsageError(f"{what}: {_ask(received)}")
    return kept


def refuse_without_half_hours(file: Path, when: tuple[int, int], what: str) -> None:
    """Refuse what needs the half-hours of a month, if a received home did not share them."""
    received = received_beside(file)
    month = None if received is None else received.month(when)
    if received is not None and (month is None or not month.shares.half_hours):
        raise UsageError(f"{what}: {_ask(received)}")


def _ask(received: Received) -> str:
    return (
        f"{received.household} did not share the half-hours of this time; ask for an extract made"
        " with `lullwatt share --half-hours`"
    )
