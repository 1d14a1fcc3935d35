"""What a household declares about its other load under the main fuse.

Hours, days and months work as in a tariff's bands, but items may overlap: they add up.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING, Annotated, Self

import numpy as np
from pydantic import Field, model_validator

from config.calendar.day_kinds import repeated
from config.calendar.tables import PLAIN, any_holiday, calendar_mask
from config.calendar.timed_hours import TimedHours
from config.fields.home_fields import PhaseNames
from config.fields.key_problems import KeyProblem, refuse
from config.fields.value_types import Expected

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping

    from numpy.typing import NDArray

    from config.calendar.tables import Calendar


def holiday_needs(section: str) -> str:
    """Explain that a file with ``holiday`` needs a calendar of holidays, and where."""
    return f"holiday needs public_holidays under {section}, such as public_holidays: NZ"


class KnownLoad(TimedHours):
    """A current that the rest of the home draws in certain hours."""

    amps: Annotated[float, Field(ge=0.1, le=1000), Expected("a current from 0.1 to 1000 A")] = (
        Field(description="What the rest of the home draws then [A per phase].")
    )
    connected_to: PhaseNames | None = Field(
        None, description="Phases of the supply that it is drawn from; without: each of them."
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        refuse(tuple(repeated(self.connected_to, "connected_to")))
        return self


class LearnedLoad(KnownLoad):
    """A current that the rest of the home draws in certain hours, as its meter has shown."""


@lru_cache(maxsize=4)
def load_table(items: tuple[KnownLoad, ...], calendar: Calendar = PLAIN) -> NDArray[np.float64]:
    """Return what the rest of the home draws in each month, kind of day and minute.

    Parameters
    ----------
    items : tuple of KnownLoad
        A household's known load.
    calendar : Calendar
        What tells its dates apart.

    Returns
    -------
    ndarray of float64, of the calendar's shape
        Sum of the items [A per phase] by month (0 is January) or season, day kind (Monday to
        Sunday, then ``holiday`` and special days) and minute of the local day. The ``holiday`` row
        only counts if an item names ``holiday``. Read-only.
    """
    table = np.zeros(calendar.shape)
    for item in items:
        table[calendar_mask(item, calendar)] += item.amps
    table.setflags(write=False)
    return table


def known_load_problems(
    items: tuple[KnownLoad, ...], fuse_by_phase: Mapping[str, float], *, public_holidays: bool
) -> Iterator[KeyProblem]:
    """Find what is wrong between a household's known load and its other keys.

    Parameters
    ----------
    items : tuple of KnownLoad
        Each valid in itself.
    fuse_by_phase : mapping of str to float
        The fuse of each phase of the supply; empty if none is declared [A].
    public_holidays : bool
        Whether the household names a calendar of public holidays.

    Yields
    ------
    KeyProblem
        With its path from ``household``.
    """
    if items and not fuse_by_phase:
        yield KeyProblem(
            ("known_load",),
            "expected main_fuse_amps beside it: a known load is what the fuse carries already",
        )
    for index, item in enumerate(items):
        yield from _fuse_problems(item, index, fuse_by_phase)
        if any_holiday([item]) and not public_holidays:
            yield KeyProblem(("known_load", index, "days"), holiday_needs("household"))


def _fuse_problems(
    item: KnownLoad, index: int, fuse_by_phase: Mapping[str, float]
) -> Iterator[KeyProblem]:
    for place, phase in enumerate(item.connected_to or ()):
        if fuse_by_phase and phase not in fuse_by_phase:
            yield KeyProblem(
                ("known_load", index, "connected_to", place),
                f"expected {' or '.join(fuse_by_phase)}: main_fuse_amps lists no fuse for {phase}",
            )
    phases: Collection[str] = item.connected_to or fuse_by_phase
    fuse = min((fuse_by_phase[phase] for phase in phases if phase in fuse_by_phase), default=None)
    if fuse is not None and item.amps > fuse:
        yield KeyProblem(
            ("known_load", index, "amps"),
            f"expected at most main_fuse_amps ({fuse:g} A), got {item.amps:g}",
        )
