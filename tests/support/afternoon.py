"""A time zone where it is early afternoon, whatever the hour at which a test runs.

A daemon on the machine's clock plans for the hour that it is. At the example households the cheap
hours begin at 21:00: in the afternoon nothing charges but what a person asks for.
"""

from __future__ import annotations

from typing import Final

from adapters.clocks.clock import SystemClock

ZONE_OF_THE_EXAMPLES: Final = "Pacific/Auckland"


def in_the_afternoon(household: str) -> str:
    """Move an example household to a zone where it is between 13:00 and 14:00 now."""
    assert household.count(ZONE_OF_THE_EXAMPLES) == 1
    return household.replace(ZONE_OF_THE_EXAMPLES, afternoon_zone())


def afternoon_zone() -> str:
    """Name the zone; by its name "Etc/GMT-13" is 13 hours ahead of UTC."""
    return f"Etc/GMT{SystemClock().now().hour - 13:+d}"
