"""The stays of a night: whether each had enough for its departure, and as JSON values. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from adapters.clocks.instants import parse_instant
from daemon.control.events import Stay
from planners.power.charging import NEED_TOLERANCE_PERCENT

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime


def stay_values(stay: Stay) -> dict[str, Any]:
    """Write a stay, with exact instants and figures."""
    return {
        "vehicle": stay.vehicle,
        "plugged_since": stay.plugged_since.isoformat(),
        "departure": _text(stay.departure),
        "need_percent": stay.need_percent,
        "want_percent": stay.want_percent,
        "soc_before_percent": stay.soc_before_percent,
        "soc_after_percent": stay.soc_after_percent,
        "soc_from": stay.soc_from,
        "planned_cost": stay.planned_cost,
        "starts": stay.starts,
        "left_at": _text(stay.left_at),
    }


def stay_of(values: Mapping[str, Any]) -> Stay:
    """Read what `stay_values` wrote, or a stay of a night's record."""
    return Stay(
        vehicle=values["vehicle"],
        plugged_since=parse_instant(values["plugged_since"]),
        departure=_instant(values["departure"]),
        need_percent=float(values["need_percent"]),
        # Earlier versions did not write what was wanted.
        want_percent=float(values.get("want_percent", values["need_percent"])),
        soc_before_percent=_float(values["soc_before_percent"]),
        soc_after_percent=_float(values["soc_after_percent"]),
        soc_from=values["soc_from"],
        planned_cost=float(values["planned_cost"]),
        starts=values["starts"],
        left_at=_instant(values.get("left_at")),
    )


def recorded_stays(record: Mapping[str, Any]) -> tuple[Stay, ...]:
    """Read the stays of a night from its record.

    Parameters
    ----------
    record : mapping
        As `daemon.nights.account.night_record` made it, or an earlier version, which knew only the
        first stay.

    Returns
    -------
    tuple of Stay
        At least one, in order of time.
    """
    return tuple(stay_of(values) for values in record.get("stays", (record,)))


def vehicles_of_record(record: Mapping[str, Any] | None) -> tuple[str, ...]:
    """Return the vehicles of a night's record in the order of coming; empty without a record."""
    stays = () if record is None else recorded_stays(record)
    return tuple(dict.fromkeys(stay.vehicle for stay in stays))


def has_enough(stay: Stay) -> bool:
    """Whether the battery held what the departure needed, if it has come."""
    return stay.need_percent <= (stay.soc_after_percent or 0.0) + NEED_TOLERANCE_PERCENT


def _text(instant: datetime | None) -> str | None:
    return None if instant is None else instant.isoformat()


def _instant(text: str | None) -> datetime | None:
    return None if text is None else parse_instant(text)


def _float(number: Any) -> float | None:  # noqa: ANN401 - a JSON value
    return None if number is None else float(number)
