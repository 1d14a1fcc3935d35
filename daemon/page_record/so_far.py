"""Tell the night in progress as it stands: its record was made at a departure, and may be old."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from planners.local_time.departures import night_of

if TYPE_CHECKING:
    from datetime import datetime

    from adapters.ledger.reader import LedgerReader
    from daemon.control.state import House


def retold(
    record: dict[str, Any], house: House, ledger: LedgerReader, now: datetime
) -> dict[str, Any]:
    """Return the record of a night; of the one in progress, with all that has flowed since.

    Parameters
    ----------
    record
        As the ledger has it.
    house
        The household.
    ledger
        Its ledger.
    now
        UTC.

    Returns
    -------
    dict
        The same record, unless its night is in progress.
    """
    night, point = night_of(now, house.file.days), record["charge_point"]
    if record["night"] != night.isoformat() or point not in house.file.charge_points:
        return record
    from daemon.why.records import read_night  # noqa: PLC0415 - much code, seldom needed

    return read_night(house, ledger, point, night, now).record or record
