"""A time zone where it is early afternoon, whatever the hour at which a test runs.

A daemon on the machine's clock plans for the hour that it is. At the example households the cheap
hours begin at 21:00: in the afternoon nothing charges but what a person asks for.
"""

from __future__ import annotations

from typing import Final

from adapters.clocks.clock import SystemClock

ZONE_OF_THE_EXAMPLES: Final = "Pacific/Auckland"


def in_the_afternoon(text: str) -> str:
    """Move the household of a text to a zone where it is between 13:00 and 14:00 now."""
    assert text.count(ZONE_OF_THE_EXAMPLES) == 1
    hours_behind = SystemClock().now().hour - 13
    return text.replace(ZONE_OF_THE_EXAMPLES, f"Etc/GMT{hours_behind:+d}")
