"""Find the kind of each day that is announced, and what an unannounced day is taken for. Pure.

A day that no rule lets be more than one kind needs no announcement. Any other unannounced day is
taken for what the household declares:

- `dearest`: the dearest kind that it may be. Once `at_most` days of the season are of a kind, or
  were taken for it since the last announcement, no further day is.
- `commonest`: the kind of most announced days of the season that could be of the same kinds.
- `share`: each kind in proportion to these days; of a limited kind no more than the days that are
  left of it, divided by the days that may still be of it.

Before the first announcement of a season the earlier seasons count; before the first of all, a
limited kind has its limit, and the other days are of the kinds without one.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from config.calendar.day_kinds import DAY_KINDS
from config.calendar.tables import Calendar, kinds_of_days
from config.fields.public_holidays import holiday_dates
from planners.local_time.conversion import DAY_MINUTES, date_of, day_number

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from numpy.typing import NDArray

    from config.calendar.announced_kinds import AnnouncedDays, AnnouncedKind
    from config.files.announcements import Announcement

_ONE_DAY = timedelta(days=1)
_LOOKED_AHEAD = 400
"""An unannounced day is looked for so many days ahead."""


class DayOfKinds(NamedTuple):
    """What is known or assumed of a day.

    Attributes
    ----------
    weights : ndarray of float, shape (kinds, 1440)
        How likely each kind is in each minute of the day; the kinds of a minute add up to 1.
    possible : ndarray of bool, shape (kinds,)
        Which kinds it may be; with an announcement, the one or two that it is.
    is_known : bool
        Whether it is announced, or can only be of one kind.
    """

    weights: NDArray[np.float64]
    possible: NDArray[np.bool_]
    is_known: bool


@dataclass(frozen=True, eq=False)
class AnnouncedKinds:
    """The kinds of day of a tariff, as they are announced. Made by `announced_kinds_of`.

    Attributes
    ----------
    declared : AnnouncedDays
        What the tariff declares.
    holidays : str or None
        Code of the public holidays.
    by_day : dict of int to Announcement
        What is announced, by days since 1970.
    """

    declared: AnnouncedDays
    holidays: str | None
    by_day: dict[int, Announcement]
    _assumed: dict[int, int] = field(default_factory=dict)

    def on(self, day: int, dearness: Callable[[int], NDArray[np.float64]]) -> DayOfKinds:
        """Return what is known or assumed of a day.

        Parameters
        ----------
        day : int
            Days since 1970.
        dearness : callable
            Returns the mean rate of each kind on a day.

        Returns
        -------
        DayOfKinds
            Of all kinds that the tariff declares.
        """
        if (made := self.by_day.get(day)) is not None:
            weights = self._as_announced(made)
            return DayOfKinds(weights, np.asarray(weights.any(axis=1)), is_known=True)
        by_rule = self._by_rule(day)
        if by_rule.sum() == 1:
            return DayOfKinds(_spread(by_rule), by_rule, is_known=True)
        possible = self._possible(day, by_rule)
        if self.declared.until_announced == "dearest":
            chosen = self._dearest(day, dearness)
            weights = _spread(np.arange(len(possible)) == chosen)
        else:
            limits = self._limits(*self._season(day))
            weights = self._history(day, by_rule, limits) * possible[:, None]
            if self.declared.until_announced == "commonest":
                weights = (weights.argmax(axis=0) == np.arange(len(possible))[:, None]) * 1.0
            else:
                weights = self._within(limits, weights, possible)
        return DayOfKinds(weights, possible, is_known=False)

    def is_known(self, day: int) -> bool:
        """Tell whether a day is announced, or can only be of one kind."""
        return day in self.by_day or self._by_rule(day).sum() == 1

    def first_unknown(self, day: int) -> int | None:
        """Return the first day from this one on that is not known; None if none comes soon."""
        ahead = range(day, day + _LOOKED_AHEAD)
        return next((each for each in ahead if not self.is_known(each)), None)

    def _as_announced(self, made: Announcement) -> NDArray[np.float64]:
        names = self.declared.names
        weights = np.zeros((len(names), DAY_MINUTES))
        picked = np.zeros(DAY_MINUTES, np.bool_)
        minute = (np.arange(DAY_MINUTES) + self.declared.begin_minute) % DAY_MINUTES
        for hours in made.hours:
            start, end = hours.start_minute, hours.end_minute
            after, before = minute >= start, minute < end
            picked |= after & before if start < end else after | before
        kind = names.index(made.kind)
        if not self.declared.kinds[kind].picked_hours:
            picked[:] = True
        weights[kind, picked] = 1.0
        weights[0, ~picked] = 1.0
        return weights

    def _by_rule(self, day: int) -> NDArray[np.bool_]:
        """Tell which kinds a day may be by its weekday and month."""
        on = date_of(day)
        calendar = Calendar(holidays=any("holiday" in (k.days or ()) for k in self.declared.kinds))
        free: list[int] = []
        if calendar.holidays and self.holidays is not None:
            free = [day_number(each) for each in holiday_dates(self.holidays, on.year)]
        kind_of_day = DAY_KINDS[int(kinds_of_days(np.array([day]), calendar, free)[0])]
        return np.array([_may_be(kind, kind_of_day, on) for kind in self.declared.kinds])

    def _possible(self, day: int, by_rule: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Leave out kinds of which the season has all its days already."""
        return np.asarray(by_rule & self._left(self._used(self._season(day)[0])), np.bool_)

    def _left(self, used: list[int]) -> NDArray[np.bool_]:
        """Tell of which kinds a season may have more days."""
        limits = [np.inf if kind.at_most is None else kind.at_most for kind in self.declared.kinds]
        return np.asarray(np.array(used) < np.array(limits), np.bool_)

    def _dearest(self, day: int, dearness: Callable[[int], NDArray[np.float64]]) -> int:
        """Return the dearest kind that a day may be, with the days assumed before it counted."""
        if day in self._assumed:
            return self._assumed[day]
        first, _end = self._season(day)
        is_limited = any(kind.at_most is not None for kind in self.declared.kinds)
        start = min(day, self._last_announced(first) + 1) if is_limited else day
        used = self._used(first)
        for each in range(start, day + 1):
            if each in self.by_day:
                continue
            if each not in self._assumed:
                left = [
                    k.at_most is None or n < k.at_most
                    for k, n in zip(self.declared.kinds, used, strict=True)
                ]
                possible = self._by_rule(each) & np.array(left)
                self._assumed[each] = int(np.where(possible, dearness(each), -np.inf).argmax())
            used[self._assumed[each]] += 1
        return self._assumed[day]

    def _history(
        self, day: int, by_rule: NDArray[np.bool_], limits: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Return the share of each kind, in each minute, of the days that could be of the same."""
        first, end = self._season(day)
        alike = [d for d in self.by_day if (self._by_rule(d) == by_rule).all()]
        past = [d for d in alike if first <= d < end] or alike
        if not past:
            prior = np.where(np.isinf(limits), 1.0, limits)
            return _spread(np.where(self._are_picked, 0.0, prior))
        shares = np.mean([self._as_announced(self.by_day[d]) for d in past], axis=0)
        return np.asarray(shares, np.float64)

    def _within(
        self, limits: NDArray[np.float64], weights: NDArray[np.float64], possible: NDArray[np.bool_]
    ) -> NDArray[np.float64]:
        """Give what is above the limit of a kind to the kinds without one."""
        capped = np.minimum(weights, limits[:, None])
        free = np.isinf(limits) & possible & ~self._are_picked
        others = capped * free[:, None]
        whole = others.sum(axis=0)
        equal = (free / max(1, int(free.sum())))[:, None]
        spread = np.where(whole > 0, others / np.where(whole > 0, whole, 1.0), equal)
        missing = 1.0 - (capped * ~free[:, None]).sum(axis=0)
        return np.asarray(capped * ~free[:, None] + missing * spread, np.float64)

    @property
    def _are_picked(self) -> NDArray[np.bool_]:
        return np.array([kind.picked_hours for kind in self.declared.kinds])

    def _limits(self, first: int, end: int) -> NDArray[np.float64]:
        """Return the highest share of each kind among the days of a season that are to come."""
        used = self._used(first)
        start = max(first, self._last_announced(first) + 1)
        ahead = [self._by_rule(day) for day in range(start, end)]
        may_be = np.sum(ahead, axis=0) if ahead else np.zeros(len(used))
        limits = np.full(len(used), np.inf)
        for place, kind in enumerate(self.declared.kinds):
            if kind.at_most is not None:
                left = max(0, kind.at_most - used[place])
                limits[place] = min(1.0, left / max(1, may_be[place]))
            elif kind.picked_hours:
                limits[place] = 1.0
        return limits

    def _used(self, first: int) -> list[int]:
        """Count the announced days of each kind in the season that begins on a day."""
        _first, end = self._season(first)
        kinds = [made.kind for day, made in self.by_day.items() if first <= day < end]
        return [kinds.count(name) for name in self.declared.names]

    def _last_announced(self, first: int) -> int:
        """Return the last announced day of a season, or the day before it."""
        _first, end = self._season(first)
        return max((day for day in self.by_day if first <= day < end), default=first - 1)

    def _season(self, day: int) -> tuple[int, int]:
        """Return the first day of a day's season, and that of the next one."""
        year = date_of(day).year
        firsts = [
            day_number(_of_year(y, self.declared.season_begins)) for y in (year - 1, year, year + 1)
        ]
        return (firsts[1], firsts[2]) if day >= firsts[1] else (firsts[0], firsts[1])


def announced_kinds_of(
    declared: AnnouncedDays, holidays: str | None, made: Iterable[Announcement]
) -> AnnouncedKinds:
    """Prepare announcements for looking up the kinds of days.

    Parameters
    ----------
    declared : AnnouncedDays
        What the tariff declares.
    holidays : str or None
        The household's code of public holidays.
    made : iterable of Announcement
        What is announced; of several for a day, the last counts. Other kinds are left out.

    Returns
    -------
    AnnouncedKinds
        The same, ready to be asked.
    """
    by_day = {day_number(each.day): each for each in made if each.kind in declared.names}
    return AnnouncedKinds(declared, holidays, by_day)


def _may_be(kind: AnnouncedKind, kind_of_day: str, on: date) -> bool:
    return (kind.days is None or kind_of_day in kind.days) and (
        kind.months is None or on.month in kind.months
    )


def _spread(by_kind: NDArray[np.generic]) -> NDArray[np.float64]:
    return np.repeat(by_kind.astype(np.float64)[:, None], DAY_MINUTES, axis=1)


def _of_year(year: int, month_and_day: tuple[int, int]) -> date:
    month, day = month_and_day
    try:
        return date(year, month, day)
    except ValueError:  # 29 February of a year that has none
        return date(year, month, day - 1) + _ONE_DAY
