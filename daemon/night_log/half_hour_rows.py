"""Write half-hours of metered energy as CSV and JSON values.

They can be compared with the supplier's own half-hours.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from daemon.presentation.csv_text import csv_text
from planners.accounts.accounts import exact_kwh
from planners.plan.plan import instant_text

if TYPE_CHECKING:
    from collections.abc import Sequence
    from zoneinfo import ZoneInfo

    from daemon.presentation.csv_text import CsvStyle
    from planners.local_time.settlement import HalfHour

COLUMNS = ("start_utc", "start_local", "kwh", "estimated_kwh")


def half_hour_values(rows: Sequence[HalfHour], zone: ZoneInfo) -> list[dict[str, Any]]:
    """Make the JSON values of half-hours.

    Parameters
    ----------
    rows : sequence of HalfHour
        In order.
    zone : ZoneInfo
        The household's.

    Returns
    -------
    list of dict
        `estimated_kwh` is the part of `kwh` that was not measured. Both are None unless a meter
        was read before and after.
    """
    return [
        {
            "start_utc": instant_text(row.start),
            "start_local": row.start.astimezone(zone).isoformat(timespec="seconds"),
            "kwh": None if row.wh is None else exact_kwh(row.wh),
            "estimated_kwh": None if row.wh is None else exact_kwh(row.estimated_wh),
        }
        for row in rows
    ]


def half_hours_csv(rows: Sequence[HalfHour], zone: ZoneInfo, style: CsvStyle | None = None) -> str:
    """Write half-hours as CSV, one row for each."""
    return csv_text(COLUMNS, half_hour_values(rows, zone), style)
