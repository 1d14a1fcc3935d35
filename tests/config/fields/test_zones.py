"""Time zone data come from the pinned wheel."""

from __future__ import annotations

import re
import zoneinfo
from datetime import UTC, datetime, timedelta

import pytest

from config.fields.zones import known_zones, use_pinned_zones, zone_data_version


def test_machine_files_are_not_read() -> None:
    """After the switch no folder of the machine is searched, and zones are still found."""
    use_pinned_zones()
    assert zoneinfo.TZPATH == ()
    assert zoneinfo.ZoneInfo("Pacific/Auckland").utcoffset(datetime(2026, 6, 1, tzinfo=UTC))


def test_version() -> None:
    """The version is that of an IANA release: a year and a letter."""
    assert re.fullmatch(r"20\d\d[a-z]{1,2}", zone_data_version())


@pytest.mark.parametrize("name", ["Pacific/Auckland", "Europe/London", "Etc/UTC", "NZ"])
def test_known(name: str) -> None:
    """Names of the IANA data, old ones included, are known."""
    assert name in known_zones()


@pytest.mark.parametrize("name", ["Pacific", "", "zone.tab", "pacific/auckland", "../UTC"])
def test_unknown(name: str) -> None:
    """A name that is no zone is unknown, even if a file has that name."""
    assert name not in known_zones()


def test_every_known_zone_can_be_made() -> None:
    """All names that the loader accepts lead to a zone with an offset within a day."""
    at = datetime(2026, 6, 1, tzinfo=UTC)
    offsets = [at.astimezone(zoneinfo.ZoneInfo(name)).utcoffset() for name in known_zones()]
    assert all(offset is not None and abs(offset) < timedelta(days=1) for offset in offsets)
