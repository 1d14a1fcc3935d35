"""Tell a household once, at the first start after an upgrade, what changed for it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from daemon.presentation.departures import buys_need_only

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from datetime import datetime

    from adapters.ledger.reader import LedgerReader
    from config.household.household_file import HouseholdFile

BUYS_LESS: Final = "departure-buys-less"
"""Code of the alert about a departure that 0.1.0 charged further."""

BEFORE: Final = "Version 0.1.0 charged it to {} %; for that"
"""It went on to the everyday limit if a departure had neither `want_percent` nor `max_rate`."""

KNOWN: Final[Mapping[str, object]] = {"without_want": "need"}
"""Recorded with each start: without a want, a departure buys its need and no more."""


def changes_to_tell(
    ledger: LedgerReader, file: HouseholdFile, now: datetime
) -> Iterator[tuple[str, str]]:
    """List what a household must be told about an upgrade; nothing at later starts.

    Parameters
    ----------
    ledger : LedgerReader
        The durable record, before this start is recorded in it.
    file : HouseholdFile
        The household.
    now : datetime
        UTC.

    Yields
    ------
    tuple of str
        A charge point, and a sentence.
    """
    started = ledger.last_happening(("started",), now)
    is_told = started is not None and "without_want" in started.body
    if is_told or ledger.first_written(file.charge_points) is None:
        return
    for row in file.departures:
        sentence = buys_need_only(file, row, BEFORE)
        if sentence is not None:
            yield file.vehicles[row.vehicle].charge_point, sentence
