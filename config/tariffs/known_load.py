"""What a household declares about its other load under the main fuse.

Hours, days and months work as in a tariff's bands, but items may overlap: they add up.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING, Annotated, Self

import numpy as np
from pydantic import Field, model_validator

from config.fields.key_problems import KeyProblem, refuse
from config.fields.value_types import Expected, Model
from config.tariffs.bands import CALENDAR_SHAPE, any_holiday, calendar_mask
from config.tariffs.tariff import DayKinds, HoursOfDay, Months, repeated

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray


def holiday_needs(section: str) -> str:
    """Explain that a file with ``holiday`` needs a calendar of holidays, and where."""
    return f"holiday needs public_holidays under {section}, such as public_holidays: NZ"


class KnownLoad(Model):
    """A current that the rest of the home draws in certain hours."""

    amps: Annotated[float, Field(ge=0.1, le=1000), Expected("a current from 0.1 to 1000 A")] = (
        Field(description="What the rest of the home draws then [A per phase].")
    )
    hours: HoursOfDay = Field(description="Hours of the local clock in which it does.")
    days: DayKinds | None = Field(
        None, description="Days on which the hours hold; without: every day."
    )
    months: Months | None = Field(
        None, description="Months in which the hours hold, 1 to 12; without: every month."
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        refuse([*repeated(self.days, "days"), *repeated(self.months, "months")])
        return self


@lru_cache(maxsize=4)
def load_table(items: tuple[KnownLoad, ...]) -> NDArray[np.float64]:
    """Return what the rest of the home draws in each month, kind of day and minute.

    Parameters
    ----------
    items : tuple of KnownLoad
        A household's known load.

    Returns
    -------
    ndarray of float64, shape (12, 8, 1440)
        Sum of the items [A per phase] by month (0 is January), day kind (Monday to Sunday, then
        ``holiday``) and minute of the local day. The ``holiday`` row only counts if an item names
        ``holiday``. Read-only.
    """
    table = np.zeros(CALENDAR_SHAPE)
    for item in items:
        table[calendar_mask(item)] += item.amps
    table.setflags(write=False)
    return table


def known_load_problems(
    items: tuple[KnownLoad, ...], main_fuse_amps: float | None, *, public_holidays: bool
) -> Iterator[KeyProblem]:
    """Find what is wrong between a household's known load and its other keys.

    Parameters
    ----------
    items : tuple of KnownLoad
        Each valid in itself.
    main_fuse_amps : float or None
        The fuse [A per phase].
    public_holidays : bool
        Whether the household names a calendar of public holidays.

    Yields
    ------
    KeyProblem
        With its path from ``household``.
    """
    if items and main_fuse_amps is None:
        yield KeyProblem(
            ("known_load",),
            "expected main_fuse_amps beside it: a known load is what the fuse carries already",
        )
    for index, item in enumerate(items):
        if main_fuse_amps is not None and item.amps > main_fuse_amps:
            yield KeyProblem(
                ("known_load", index, "amps"),
                f"expected at most main_fuse_amps ({main_fuse_amps:g} A), got {item.amps:g}",
            )
        if any_holiday([item]) and not public_holidays:
            yield KeyProblem(("known_load", index, "days"), holiday_needs("household"))
