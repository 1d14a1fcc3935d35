"""Count what the campaign tried, and list what went wrong."""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Final

import structlog

WRONGS: Final = (
    "lost",
    "counted twice",
    "left charging",
    "over the current",
    "wrong after a restart",
    "late",
    "short for the departure",
    "changed by what should change nothing",
    "alert not raised",
    "stopped",
)
"""What may go wrong; each must be found 0 times."""

SHOWN: Final = 20


@dataclass(slots=True)
class Tally:
    """What was tried, and what went wrong.

    Attributes
    ----------
    tried : Counter
        How often each thing was tried.
    wrongs : list of (str, str)
        One of `WRONGS`, and where and how.
    slowest_seconds : float
        The longest time from a connection to its command.
    """

    tried: Counter[str] = field(default_factory=Counter)
    wrongs: list[tuple[str, str]] = field(default_factory=list)
    slowest_seconds: float = 0.0

    def wrong(self, kind: str, how: str) -> None:
        """Record something that went wrong."""
        assert kind in WRONGS, kind
        self.wrongs.append((kind, how))

    def count(self, kind: str) -> int:
        """Return how often something went wrong."""
        return sum(found == kind for found, _ in self.wrongs)

    def lines(self) -> list[str]:
        """Return the tally as lines of text."""
        tried = [f"  {what:<50}{count:>9,}" for what, count in sorted(self.tried.items())]
        wrong = [f"  {kind:<50}{self.count(kind):>9,}" for kind in WRONGS]
        shown = [f"  {kind}: {how}" for kind, how in self.wrongs[:SHOWN]]
        slowest = (
            f"  {'slowest command after a connection [ms]':<50}{self.slowest_seconds * 1000:>9.0f}"
        )
        return ["tried", *tried, slowest, "wrong (each must be 0)", *wrong, *shown]


def say(line: str) -> None:
    """Print a line at once."""
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


@contextmanager
def silent() -> Iterator[None]:
    """Log nothing from the parts that run in this process.

    Yields
    ------
    None
        Log entries are dropped meanwhile.
    """

    def drop(
        _logger: object, _name: str, _event: structlog.typing.EventDict
    ) -> structlog.typing.EventDict:
        raise structlog.DropEvent

    before = structlog.get_config()
    structlog.configure(processors=[drop])
    try:
        yield
    finally:
        structlog.configure(**before)
