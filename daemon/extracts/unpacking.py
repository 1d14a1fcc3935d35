"""Turn the extracts of a home into a household file and a ledger, which every report can read.

Both are made anew from all extracts that are kept, so that a month never counts twice.
"""

from __future__ import annotations

import json
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any, Final

import yaml
from typing_extensions import override

from adapters.clocks.instants import parse_instant
from adapters.host.whole_file import replacing
from adapters.ledger.ledger import open_ledger
from config.extract.household_part import LEDGER, as_file
from config.extract.received import RECEIVED
from config.files.announcements import Announcement, read_hours
from config.files.price_series import PricePoint
from daemon.extracts.opening import plain_data
from daemon.night_log.night_rows import NOT_SHARED, SOC, TIMES, WITHHELD
from planners.local_time.departures import night_bounds
from planners.local_time.settlement import HALF_HOUR
from planners.plan.plan import instant_text

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from datetime import datetime
    from pathlib import Path

    from adapters.ledger.ledger import Ledger
    from config.calendar.account_days import AccountDays
    from config.extract.extract_file import Extract, HalfHourEnergy, Night, Stay
    from config.household.household_file import HouseholdFile

HOUSEHOLD_FILE: Final = "house.yaml"
_QUARTER: Final = timedelta(minutes=15)
_HEADER: Final = """\
# Received by `lullwatt desk receive`, which writes it again with each extract: changes are lost.
# It is for nights, month, letter and appraise --homes, and can't be run. received.json says what
# the household shared.
"""


class _Quoted(yaml.SafeDumper):
    """Writes every text in quotes, so that none is read as a number; and no aliases."""

    @override
    def ignore_aliases(self, data: object) -> bool:
        return True


def _quoted(dumper: yaml.SafeDumper, text: str) -> yaml.ScalarNode:
    return dumper.represent_scalar("tag:yaml.org,2002:str", text, style='"')


_Quoted.add_representer(str, _quoted)


def unpack(
    folder: Path, extracts: Sequence[tuple[Extract, HouseholdFile]], fingerprint: str
) -> None:
    """Write the household file, the ledger, and what is known of the months of a received home.

    Parameters
    ----------
    folder : Path
        The home's folder.
    extracts : sequence of (Extract, HouseholdFile)
        At least one, in the order of months, each with its home.
    fingerprint : str
        That of the household's key.

    Returns
    -------
    None
        Readers find all of it, or what was there before.
    """
    part = folder / f"{LEDGER}.new"
    _remove(part)
    with open_ledger(part) as ledger, ledger.in_one_transaction():
        for extract, home in extracts:
            _fill(ledger, extract, home.days, home.household.currency)
        ledger.set_account_changes(extracts[-1][1].days.changes)
        _add_half_hours(ledger, [each for extract, _ in extracts for each in extract.half_hours])
    _write(folder / RECEIVED, json.dumps(_received(extracts, fingerprint), indent=1))
    ledger_path = folder / LEDGER
    # A log of the old ledger would be taken for one of the new.
    for end in ("-wal", "-shm"):
        ledger_path.with_name(f"{LEDGER}{end}").unlink(missing_ok=True)
    part.replace(ledger_path)
    data = plain_data(as_file(extracts[-1][0].household))
    text = yaml.dump(data, Dumper=_Quoted, sort_keys=False, allow_unicode=True, width=10_000)
    _write(folder / HOUSEHOLD_FILE, _HEADER + text)


def _remove(path: Path) -> None:
    for end in ("", "-wal", "-shm"):
        path.with_name(f"{path.name}{end}").unlink(missing_ok=True)


def _write(path: Path, text: str) -> None:
    with replacing(path) as part:
        part.file.write(text.encode())


def _received(
    extracts: Iterable[tuple[Extract, HouseholdFile]], fingerprint: str
) -> dict[str, Any]:
    pairs = list(extracts)
    return {
        "version": 1,
        "household": pairs[-1][1].household.name,
        "fingerprint": fingerprint,
        "months": {
            extract.month: {
                "made_at": extract.made_at,
                "until": extract.consent.until,
                "purpose": extract.consent.purpose,
                "shares": extract.shares.model_dump(),
                "alerts": [each.model_dump() for each in extract.alerts],
                **_span(extract),
            }
            for extract, _ in pairs
        },
    }


def _span(extract: Extract) -> dict[str, str]:
    """Return from when until when half-hours are known."""
    if not extract.half_hours:
        return {}
    starts = [parse_instant(each.start) for each in extract.half_hours]
    return {
        "half_hours_from": instant_text(min(starts)),
        "half_hours_until": instant_text(max(starts) + HALF_HOUR),
    }


def _fill(ledger: Ledger, extract: Extract, days: AccountDays, currency: str) -> None:
    for night in extract.nights:
        day = date.fromisoformat(night.night)
        bounds = night_bounds(day, days)
        closed = parse_instant(night.closed_at) if night.closed_at else bounds[1]
        body = _body(night, bounds, closed, _withheld(extract), currency)
        ledger.close_night(day, night.charge_point, night.vehicle, closed, body)
    prices: dict[str, list[PricePoint]] = {}
    for price in extract.prices:
        point = PricePoint(parse_instant(price.start), price.rate)
        prices.setdefault(price.tariff, []).append(point)
    for tariff, points in prices.items():
        ledger.add_prices(tariff, points)
    for each in extract.announcements:
        hours = read_hours(" ".join(each.hours))
        made = Announcement(date.fromisoformat(each.day), each.kind, hours)
        ledger.add_announcements(each.tariff, [made])


def _withheld(extract: Extract) -> list[str]:
    shares = extract.shares
    return [
        *([] if shares.soc else [SOC]),
        *([] if shares.plug_in_times else [TIMES]),
    ]


def _body(
    night: Night,
    bounds: tuple[datetime, datetime],
    closed: datetime,
    withheld: list[str],
    currency: str,
) -> dict[str, Any]:
    """Write a night as its household's ledger has it; what was not shared is marked so."""
    start = instant_text(bounds[0])
    first = night.stays[0]
    values = night.model_dump(exclude_none=True, exclude={"stays", "carbon"})
    carbon = {} if night.carbon is None else {"carbon": night.carbon.model_dump()}
    return (
        values
        | carbon
        | {
            "currency": currency,
            "closed_at": instant_text(closed),
            "plugged_since": first.plugged_since or start,
            "departure": first.departure,
            "soc_before_percent": first.soc_before_percent,
            "soc_after_percent": first.soc_after_percent,
            "soc_from": first.soc_from or NOT_SHARED,
            "stays": [_stay(each, start) for each in night.stays],
            WITHHELD: withheld,
        }
    )


def _stay(stay: Stay, start: str) -> Mapping[str, Any]:
    values = stay.model_dump()
    missing = {key for key in ("energy_kwh", "cost") if values[key] is None}
    return {key: value for key, value in values.items() if key not in missing} | {
        "plugged_since": stay.plugged_since or start,
        "soc_from": stay.soc_from or NOT_SHARED,
    }


def _add_half_hours(ledger: Ledger, energies: Iterable[HalfHourEnergy]) -> None:
    """Write half-hours as a register that begins at 0.

    A reading in the middle of a half-hour marks it as measured; one that was estimated in part then
    counts as estimated as a whole.
    """
    by_point: dict[str, dict[datetime, HalfHourEnergy]] = {}
    for each in energies:
        by_point.setdefault(each.charge_point, {})[parse_instant(each.start)] = each
    for point, found in by_point.items():
        ledger.add_register_values(point, _register(found))


def _register(found: Mapping[datetime, HalfHourEnergy]) -> Iterable[tuple[datetime, int]]:
    register_wh, until = 0, None
    for start in sorted(found):
        if until is None or start > until:
            yield start, register_wh
        wh, until = round(found[start].kwh * 1000), start + HALF_HOUR
        if not found[start].estimated_kwh:
            yield start + _QUARTER, register_wh + wh // 2
        register_wh += wh
        yield until, register_wh
