"""Standard time in every zone, against the source text of the pinned time zone data."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from importlib.resources import files
from typing import NamedTuple
from zoneinfo import ZoneInfo

import pytest

from planners.local_time.conversion import instant_of, minute_of
from planners.local_time.standard_time import standard_offsets_between
from tests.planners.households import band, band_prices

IANA = files("tzdata")
FIRST, LAST = datetime(2020, 1, 1, tzinfo=UTC), datetime(2031, 1, 1, tzinfo=UTC)
MONTHS = ["Ja", "F", "Mar", "Ap", "May", "Jun", "Jul", "Au", "S", "O", "N", "D"]
HOUR = 60

# What a meter that ignores daylight saving shows, in hours from UTC, where the source's standard
# offset is not the answer or the law has changed: zone -> (UTC date since when, hours), ...
METERS: dict[str, list[tuple[str, float]]] = {
    # IANA makes summer time Ireland's standard, as the Standard Time Act 1968 does. Irish meters of
    # two rates stay on winter time all year: their night begins at 23:00 in winter, and at 00:00 in
    # summer (common practice, no source).
    "Europe/Dublin": [("2020-01-01", 0)],
    # The clock is put back for Ramadan alone, which a meter ignores. In September 2026 the law puts
    # it back for good: whether a meter follows is not known (common practice: it does).
    "Africa/Casablanca": [("2020-01-01", 1), ("2026-09-20", 0)],
    "Africa/El_Aaiun": [("2020-01-01", 1), ("2026-09-20", 0)],
    # No home has a meter there. Summer is two hours ahead.
    "Antarctica/Troll": [("2020-01-01", 0)],
    # Half an hour of summer time.
    "Australia/Lord_Howe": [("2020-01-01", 10.5)],
    # Summer time became standard time. A meter follows where its supplier sets it (no source).
    "America/Whitehorse": [("2020-01-01", -8), ("2020-11-01", -7)],
    "America/Vancouver": [("2020-01-01", -8), ("2026-11-01", -7)],
    "America/Edmonton": [("2020-01-01", -7), ("2026-11-01", -6)],
    "America/Inuvik": [("2020-01-01", -7), ("2026-11-01", -6)],
    "America/Winnipeg": [("2020-01-01", -6), ("2026-11-01", -5)],
    "Asia/Amman": [("2020-01-01", 2), ("2022-10-27", 3)],
    "Asia/Damascus": [("2020-01-01", 2), ("2022-10-27", 3)],
    "America/Asuncion": [("2020-01-01", -4), ("2024-10-15", -3)],
    "America/Coyhaique": [("2020-01-01", -4), ("2025-03-20", -3)],
    # The law moved standard time, with or without summer time before or after.
    "America/Nuuk": [("2020-01-01", -3), ("2023-03-26", -2)],
    "America/Scoresbysund": [("2020-01-01", -1), ("2024-03-31", -2)],
    "America/Chihuahua": [("2020-01-01", -7), ("2022-10-30", -6)],
    "America/Ojinaga": [("2020-01-01", -7), ("2022-10-30", -6)],
    "America/Ciudad_Juarez": [("2020-01-01", -7), ("2022-10-30", -6), ("2022-11-30", -7)],
    "America/Bahia_Banderas": [("2020-01-01", -6)],
    "Europe/Volgograd": [("2020-01-01", 4), ("2020-12-26", 3)],
    "Asia/Almaty": [("2020-01-01", 6), ("2024-02-29", 5)],
    "Asia/Qostanay": [("2020-01-01", 6), ("2024-02-29", 5)],
    "Africa/Juba": [("2020-01-01", 3), ("2021-01-31", 2)],
}


class Era(NamedTuple):
    """A standard offset in the source [min], and the UTC date, give or take one, of its end."""

    minutes: float
    until: datetime


def minutes_in(text: str) -> float:
    sign = -1 if text.startswith("-") else 1
    parts = [int(part) for part in text.lstrip("-").split(":")]
    return sign * sum(part * 60.0 ** (1 - place) for place, part in enumerate(parts))


def eras() -> dict[str, list[Era]]:
    """Read the zones of zic(8)'s input: standard offset, rules, format, and the end of each era."""
    found: dict[str, list[Era]] = {}
    links: list[list[str]] = []
    name = ""
    for line in (IANA / "zoneinfo" / "tzdata.zi").read_text("utf-8").splitlines():
        kind, *fields = line.split()
        if kind == "L":
            links.append(fields)
        elif kind == "Z":
            name, *fields = fields
            found[name] = []
        elif kind in {"R", "#"}:
            continue
        else:
            fields = [kind, *fields]
        if kind != "L":
            offset, _, _, *until = fields
            found[name].append(Era(minutes_in(offset), ends(until)))
    return found | {link: found[target] for target, link in links}


def ends(until: list[str]) -> datetime:
    if not until:
        return datetime.max.replace(tzinfo=UTC)
    year, month = int(until[0]), MONTHS.index(until[1]) + 1 if len(until) > 1 else 1
    day = until[2] if len(until) > 2 else "1"
    if day.startswith("last"):
        return datetime(year, month % 12 + 1, 1, tzinfo=UTC) - timedelta(days=4)
    return datetime(year, month, int(day.partition("=")[2] or day), tzinfo=UTC)


def distinct_zones() -> list[str]:
    """List one zone for each content of the compiled data: the others are other names of it."""
    found: dict[bytes, str] = {}
    for name in [*METERS, *(IANA / "zones").read_text("utf-8").split()]:
        found.setdefault((IANA / "zoneinfo" / name).read_bytes(), name)
    return list(found.values())


def found_in(zone: str) -> list[tuple[datetime, float]]:
    first, last = minute_of(FIRST), minute_of(LAST)
    offsets = standard_offsets_between(ZoneInfo(zone), first, last)
    starts = [instant_of(start) for start in offsets.starts.tolist()]
    return list(zip(starts, offsets.minutes.tolist(), strict=True))


def by_the_source(kept: list[Era]) -> list[tuple[datetime, float]]:
    """List each standard offset and its start; eras may differ by their rules alone."""
    found: list[tuple[datetime, float]] = []
    starts = [FIRST, *(era.until for era in kept)]
    for start, era in zip(starts, kept, strict=False):
        if start < LAST and (not found or found[-1][1] != era.minutes):
            found.append((start, era.minutes))
    return found


def test_standard_time_is_the_sources_in_every_zone_but_irelands() -> None:
    """Each standard offset of 2020 to 2030 and no other, within days of the source's date."""
    source = eras()
    zones = distinct_zones()
    other = []
    for zone in zones:
        found = found_in(zone)
        expected = by_the_source([era for era in source[zone] if era.until > FIRST])
        is_same = [minutes for _, minutes in found] == [minutes for _, minutes in expected] and all(
            abs(start - at) < timedelta(days=8)
            for (start, _), (at, _) in zip(found, expected, strict=True)
        )
        if not is_same:
            other.append(zone)
    assert len(zones) > 300
    assert other == ["Europe/Dublin"]


@pytest.mark.parametrize("zone", METERS)
def test_a_meter_on_standard_time_in_a_special_zone(zone: str) -> None:
    """What the hand-made table says, from the date that it says."""
    expected = [(since, hours * HOUR) for since, hours in METERS[zone]]
    assert [(f"{at:%Y-%m-%d}", minutes) for at, minutes in found_in(zone)] == expected


@pytest.mark.parametrize(
    ("zone", "at", "begins"),
    [
        ("Europe/Dublin", "2026-01-15", "23:00"),
        ("Europe/Dublin", "2026-07-15", "00:00"),
        ("Africa/Casablanca", "2026-03-01", "22:00"),  # Ramadan
        ("Africa/Casablanca", "2026-08-01", "23:00"),
        ("Africa/Casablanca", "2026-12-01", "23:00"),
        ("Africa/Casablanca", "2027-07-01", "23:00"),
        ("America/Vancouver", "2026-07-01", "00:00"),
        ("America/Vancouver", "2026-12-01", "23:00"),
        ("Antarctica/Troll", "2026-07-01", "01:00"),
    ],
)
def test_the_night_of_such_a_meter_begins_at_its_hour(zone: str, at: str, begins: str) -> None:
    """A night from 23:00 on standard time, by the local clock."""
    night = band("night", hours=["23:00-07:00"])
    prices = band_prices(zone, night, band("day", "0.30"), clock="standard")
    noon = datetime.fromisoformat(at).replace(hour=12, tzinfo=UTC)
    (span,) = (
        span
        for span in prices.spans(noon, noon + timedelta(days=1))
        if span.band == "night" and span.start > noon
    )
    assert f"{span.start.astimezone(ZoneInfo(zone)):%H:%M}" == begins
