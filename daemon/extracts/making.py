"""Make an extract of a month from a household's file and ledger."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from functools import partial
from typing import TYPE_CHECKING, Any

from pydantic import ValidationError

from adapters.ledger.rows import BROKER_BACK
from config.extract.extract_file import FORMAT, VERSION, Extract, Shares
from config.extract.household_part import shared_part
from config.extract.received import month_name
from config.files.announcements import announcements_in, prices_in
from config.files.date_list import load_dates
from config.files.errors import SealError, UsageError
from config.files.texts import printable, read_text
from config.files.yaml_tree import read_yaml
from daemon.night_log.month_reading import month_days, records_between
from daemon.nights.metered import metered_half_hours
from daemon.nights.stays import has_enough, recorded_stays
from daemon.service.house_loading import load_series
from planners.accounts.accounts import exact_kwh
from planners.local_time.departures import night_bounds
from planners.local_time.settlement import ONE_DAY, day_bounds
from planners.plan.plan import instant_text

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from datetime import datetime
    from pathlib import Path

    from adapters.ledger.reader import LedgerReader
    from config.extract.extract_file import Consent
    from config.household.household_file import HouseholdFile
    from config.tariffs.tariff import Tariff
    from daemon.control.events import Stay
    from daemon.control.state import House

_MOST_BYTES = 256 * 1024
RATE_PLACES = 6
_ANNOUNCED = timedelta(days=400)
"""So far back are announcements of use: a supplier counts kinds of day over a season."""
_NIGHT = (
    "night", "charge_point", "vehicle", "energy_kwh", "estimated_kwh", "cost", "by_band",
    "standing_charge", "need_percent", "need_met", "starts", "planned_cost",
)  # fmt: skip
_PERHAPS = ("estimated_rate_kwh", "unknown_hours", "roof_kwh", "all_grid_cost", "carbon")
_SOC = ("soc_before_percent", "soc_after_percent", "soc_from", "missing_kwh")
_TIMES = ("plugged_since", "departure", "left_at")


@dataclass(frozen=True)
class Asked:
    """What a household wants to share: which month, how much of it, and on which terms."""

    when: tuple[int, int]
    shares: Shares
    consent: Consent


def make_extract(
    path: Path, house: House, ledger: LedgerReader, asked: Asked, *, now: datetime, made_by: str
) -> Extract:
    """Make an extract.

    Parameters
    ----------
    path : Path
        The household file.
    house : House
        The household, as `load_recorded_house` loaded it.
    ledger : LedgerReader
        Its record.
    asked : Asked
        What is shared.
    now : datetime
        UTC.
    made_by : str
        The version of Lullwatt.

    Returns
    -------
    Extract
        Ready to be sealed.

    Raises
    ------
    UsageError
        If the month has no night, or what is asked for can't be shared.
    """
    file, shares = house.file, asked.shares
    if shares.half_hours and file.generation is not None:
        raise UsageError(
            "--half-hours: a home with its own roof can't share them yet: they would not tell what"
            " came from the roof"
        )
    first, last = month_days(*asked.when)
    records = records_between(path, house, ledger, first, last)
    if not records:
        raise UsageError(f"{path}: expected a night recorded in {month_name(asked.when)}, got none")
    span = day_bounds(first, last, file.zone)[0], night_bounds(last, file.days)[1]
    return _checked(
        path,
        {
            "format": FORMAT,
            "version": VERSION,
            "made_at": instant_text(now),
            "made_by": made_by,
            "month": month_name(asked.when),
            "consent": asked.consent.model_dump(),
            "shares": shares.model_dump(),
            "household": _household(path),
            "account_changes": [
                {"first": each.first.isoformat(), "ends": each.ends} for each in file.days.changes
            ],
            "nights": [_night(each, shares) for each in records],
            "alerts": _alerts(ledger, *day_bounds(first, last, file.zone)),
            "prices": [
                each for tariff in file.tariffs for each in _prices(file, ledger, tariff, span)
            ],
            "announcements": [
                each for tariff in file.tariffs for each in _announced(file, ledger, tariff, last)
            ],
            "half_hours": [*_half_hours(house, ledger, span, now)] if shares.half_hours else [],
        },
    )


def _checked(path: Path, values: dict[str, Any]) -> Extract:
    try:
        return Extract.model_validate(values)
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        place = printable(".".join(map(str, first["loc"])))
        raise SealError(
            f"{path}: the record has what no extract can hold: {place}: {first['msg']}"
        ) from error


def _household(path: Path) -> dict[str, Any]:
    """Read the file's data as it is written, so that it means the same to its next reader."""
    data = read_yaml(read_text(path, "a household file", _MOST_BYTES)).data
    if not isinstance(data, dict):  # it was loaded before, so it is
        raise UsageError(f"{path}: expected a household file")

    def dates_in(name: str) -> list[str]:
        return [
            first.isoformat() if first == last else f"{first.isoformat()} to {last.isoformat()}"
            for first, last in load_dates(path.parent / name)
        ]

    exact: dict[str, Any] = _exact(shared_part(data, dates_in))
    return exact


def _exact(value: Any) -> Any:  # noqa: ANN401 - whatever a household file holds
    """Turn floats into the decimals that a file has; an earlier version recorded some so."""
    if isinstance(value, dict):
        return {key: _exact(each) for key, each in value.items()}
    if isinstance(value, list):
        return [_exact(each) for each in value]
    return Decimal(repr(value)) if isinstance(value, float) else value


def _night(record: Mapping[str, Any], shares: Shares) -> dict[str, Any]:
    night = {key: _exact(record[key]) for key in _NIGHT}
    night |= {key: _exact(record[key]) for key in _PERHAPS if key in record}
    night["baselines"] = {
        name: rule for name, rule in record["baselines"].items() if "energy_kwh" in rule
    }
    pairs = zip(recorded_stays(record), record.get("stays", (record,)), strict=True)
    night["stays"] = [_stay(stay, values, record, shares) for stay, values in pairs]
    if not shares.half_hours:
        night["by_band"] = _one_line_a_band(night["by_band"])
    if shares.plug_in_times:
        night["closed_at"] = record["closed_at"]
    if "lowered_by_load" in record:
        lowered = record["lowered_by_load"]
        night["lowered_by_load"] = {k: _exact(lowered[k]) for k in ("minutes", "least_amps")}
    return night


def _one_line_a_band(lines: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Add up the lines of each band, at their average rate."""
    # Where each half-hour has its own price, the rates alone would tell the half-hours.
    by_band: dict[str, list[Mapping[str, Any]]] = {}
    for line in lines:
        by_band.setdefault(line["band"], []).append(line)
    return [
        dict(own[0]) if len(own) == 1 else _added_up(band, own) for band, own in by_band.items()
    ]


def _added_up(band: str, lines: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    kwh, cost = (sum((Decimal(each[key]) for each in lines), Decimal(0)) for key in ("kwh", "cost"))
    rate = round(cost / kwh, RATE_PLACES) if kwh else _exact(lines[0]["rate"])
    return {"band": band, "rate": rate, "kwh": kwh, "cost": cost}


def _stay(
    stay: Stay, values: Mapping[str, Any], record: Mapping[str, Any], shares: Shares
) -> dict[str, Any]:
    departure = None if stay.departure is None else instant_text(stay.departure)
    kept = {
        "vehicle": stay.vehicle,
        "need_percent": _exact(stay.need_percent),
        "want_percent": _exact(stay.want_percent),
        "need_met": has_enough(stay),
        "departed": departure is not None and departure <= record["closed_at"],
        "starts": stay.starts,
        "planned_cost": _exact(stay.planned_cost),
    }
    if "stays" in record:
        kept |= {key: _exact(values[key]) for key in ("energy_kwh", "cost") if key in values}
    keys = (*(_SOC if shares.soc else ()), *(_TIMES if shares.plug_in_times else ()))
    return kept | {key: _exact(values[key]) for key in keys if values.get(key) is not None}


def _alerts(ledger: LedgerReader, start: datetime, end: datetime) -> list[dict[str, Any]]:
    raised = Counter(each.code for each in ledger.alerts_between(start, end))
    return [
        {"code": code, "count": count}
        for code, count in sorted(raised.items())
        if code != BROKER_BACK
    ]


def _prices(
    file: HouseholdFile,
    ledger: LedgerReader,
    tariff: Tariff,
    span: tuple[datetime, datetime],
) -> Iterator[dict[str, Any]]:
    """List the prices of a tariff in some time; those that came over the bus count."""
    series = tariff.series
    if series is None:
        return
    of_file = () if series.file is None else prices_in(load_series(series.file, file))
    points = {each.start: each for each in (*of_file, *ledger.price_points(tariff.name))}
    for start in sorted(points):
        if span[0] - ONE_DAY <= start < span[1]:
            yield {
                "tariff": tariff.name,
                "start": instant_text(start),
                "rate": points[start].rate,
            }


def _announced(
    file: HouseholdFile, ledger: LedgerReader, tariff: Tariff, last: date
) -> Iterator[dict[str, Any]]:
    announced = tariff.announced
    if announced is None:
        return

    read = partial(load_series, file=file)
    of_file = () if announced.file is None else announcements_in(read(announced.file))
    kinds = {each.day: each for each in (*of_file, *ledger.announcements(tariff.name))}
    for day in sorted(kinds):
        if last - _ANNOUNCED < day <= last + ONE_DAY:
            yield {
                "tariff": tariff.name,
                "day": day.isoformat(),
                "kind": kinds[day].kind,
                "hours": [str(each) for each in kinds[day].hours],
            }


def _half_hours(
    house: House, ledger: LedgerReader, span: tuple[datetime, datetime], now: datetime
) -> Iterator[dict[str, Any]]:
    """List the half-hours of a month, until its last night ends."""
    zone = house.file.zone
    days = span[0].astimezone(zone).date(), span[1].astimezone(zone).date()
    for point in house.file.charge_points:
        for each in metered_half_hours(house, ledger, [point], *days):
            if each.wh is not None and each.end <= min(span[1], now):
                yield {
                    "charge_point": point,
                    "start": instant_text(each.start),
                    "kwh": exact_kwh(each.wh),
                    "estimated_kwh": exact_kwh(each.estimated_wh),
                }
