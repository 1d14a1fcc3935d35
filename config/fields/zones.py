"""Use the time zone data of the pinned ``tzdata`` wheel, not the machine's.

A machine's files may be years old, and a supplier's clock follows the law of the day.
"""

from __future__ import annotations

import zoneinfo
from functools import cache
from importlib import import_module, resources


def use_pinned_zones() -> None:
    """Make ``zoneinfo`` read the ``tzdata`` wheel only.

    A program calls this before it makes any zone: a zone that exists already keeps its old data.
    """
    zoneinfo.reset_tzpath(to=[])
    zoneinfo.ZoneInfo.clear_cache()


def zone_data_version() -> str:
    """Name the release of the IANA time zone data in use, such as ``2026f``."""
    release: str = import_module("tzdata").IANA_VERSION
    return release


@cache
def known_zones() -> frozenset[str]:
    """List the IANA names of all zones in the pinned data."""
    listing = resources.files("tzdata").joinpath("zones").read_text(encoding="utf-8")
    return frozenset(listing.split())
