"""Name the days by which charging is accounted: from noon or from midnight, and since when."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Literal, NamedTuple

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

AccountDay = Literal["noon", "midnight"]


class AccountChange(NamedTuple):
    """The first local date whose day of the account ends at `ends`, by the home's clock."""

    first: date
    ends: AccountDay


def changes_from_the_start(ends: AccountDay) -> tuple[AccountChange, ...]:
    """Return the changes of a home whose days have always ended at one hour."""
    return () if ends == "noon" else (AccountChange(date.min, ends),)


class AccountDays(NamedTuple):
    """The days of a home's account: each begins where the one before it ends.

    So a change makes one shorter day, or one longer one.

    Attributes
    ----------
    zone : ZoneInfo
        The home's zone.
    changes : tuple of AccountChange
        In order of time; before the first one, days end at noon.
    """

    zone: ZoneInfo
    changes: tuple[AccountChange, ...] = ()

    def end_of(self, day: date) -> AccountDay:
        """Return at which hour the day of a local date ends."""
        ends: AccountDay = "noon"
        for change in self.changes:
            if change.first <= day:
                ends = change.ends
        return ends
