"""Find the rates of a tariff whose days are of kinds that are announced shortly before.

Each kind has the rates of a tariff of bands. A day that is not announced has estimated rates, by
what the household assumes of it; where all kinds that it may be cost the same, they are known.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from typing_extensions import override

from planners.local_time.announced_days import AnnouncedKinds, announced_kinds_of
from planners.local_time.conversion import DAY_MINUTES
from planners.local_time.standard_time import standard_offsets_between
from planners.local_time.zone_offsets import Offsets, offsets_between
from planners.rates.band_rates import band_rates_of
from planners.rates.runs import RateRun, Rates, run_starts

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from zoneinfo import ZoneInfo

    from numpy.typing import NDArray

    from config.files.announcements import Announcement
    from config.tariffs.tariff import Tariff

_SIX_DECIMALS = Decimal("0.000001")


@dataclass(frozen=True, slots=True, eq=False)
class AnnouncedRates(Rates):
    """The rates of one tariff of announced days.

    Attributes
    ----------
    zone : ZoneInfo
        The household's zone.
    standard : bool
        Whether its meter ignores daylight saving.
    kinds : AnnouncedKinds
        Which kind each day is.
    by_kind : tuple of Rates
        The rates on days of each kind.
    """

    zone: ZoneInfo
    standard: bool
    kinds: AnnouncedKinds
    by_kind: tuple[Rates, ...]

    @override
    def runs(self, first: int, last: int) -> list[RateRun]:
        local = self._offsets(first, last).to_local(np.arange(first, last)) - self._begins
        days, minutes = local // DAY_MINUTES, local % DAY_MINUTES
        found: list[RateRun] = []
        edges = [*run_starts(days).tolist(), last - first]
        for start, end in pairwise(edges):
            day = self.kinds.on(int(days[start]), self._dearness)
            weights = day.weights[:, minutes[start:end]].T
            parts = [*run_starts(weights).tolist(), end - start]
            for begins, ends in pairwise(parts):
                span = first + start + begins, first + start + ends
                held = weights[begins]
                if day.is_known:
                    found += self.by_kind[int(held.argmax())].runs(*span)
                else:
                    found += self._estimates(span, held, day.possible)
        return _joined(found)

    @override
    def known_until(self, minute: int) -> int | None:
        day = self._day_of(minute)
        unknown = self.kinds.first_unknown(day)
        return None if unknown is None else max(minute, self._start_of(unknown))

    def gap_at(self, minute: int) -> tuple[int | None, int | None]:
        """Find when unannounced days begin and end, for a minute of one of them.

        Parameters
        ----------
        minute : int
            UTC minute.

        Returns
        -------
        tuple of int or None
            UTC minutes; None if no day was announced before it, or none is after it.
        """
        day = self._day_of(minute)
        before = [each for each in self.kinds.by_day if each < day]
        after = [each for each in self.kinds.by_day if each > day]
        return (
            self._start_of(max(before) + 1) if before else None,
            self._start_of(min(after)) if after else None,
        )

    @property
    def _begins(self) -> int:
        return self.kinds.declared.begin_minute

    def _offsets(self, first: int, last: int) -> Offsets:
        if self.standard:
            return standard_offsets_between(self.zone, first, last)
        return offsets_between(self.zone, first, last)

    def _day_of(self, minute: int) -> int:
        local = self._offsets(minute, minute + 1).to_local(np.array([minute]))
        return (int(local[0]) - self._begins) // DAY_MINUTES

    def _start_of(self, day: int) -> int:
        """Return the UTC minute at which a day begins."""
        local = day * DAY_MINUTES + self._begins
        offsets = self._offsets(local - 2 * DAY_MINUTES, local + 2 * DAY_MINUTES)
        return int(offsets.to_utc(np.array([local]))[0])

    def _dearness(self, day: int) -> NDArray[np.float64]:
        """Return the mean rate of each kind on a day."""
        first, last = self._start_of(day), self._start_of(day + 1)
        means = []
        for rates in self.by_kind:
            runs = rates.runs(first, last)
            edges = [*(run.first for run in runs), last]
            held = [end - start for start, end in pairwise(edges)]
            total = sum(float(run.rate) * n for run, n in zip(runs, held, strict=True))
            means.append(total / (last - first))
        return np.array(means)

    def _estimates(
        self, span: tuple[int, int], weights: NDArray[np.float64], possible: NDArray[np.bool_]
    ) -> Iterator[RateRun]:
        """Weigh the rates of the kinds that a day may be."""
        lists = {
            kind: self.by_kind[kind].runs(*span)
            for kind in np.flatnonzero(possible | (weights > 0)).tolist()
        }
        for edge in sorted({run.first for runs in lists.values() for run in runs}):
            held = {kind: _run_at(runs, edge) for kind, runs in lists.items()}
            if len({run[1:] for run in held.values()}) == 1:
                yield next(iter(held.values()))._replace(first=edge)
                continue
            likely = sorted((k for k in held if weights[k] > 0), key=lambda k: -weights[k])
            if len({held[kind][1:] for kind in likely}) == 1:
                yield held[likely[0]]._replace(first=edge, estimated=True)
                continue
            rate = sum((Decimal(weights[k]) * held[k].rate for k in likely), Decimal(0))
            names = dict.fromkeys(held[kind].band for kind in likely)
            yield RateRun(edge, " or ".join(names), rate.quantize(_SIX_DECIMALS), estimated=True)


def announced_rates_of(
    tariff: Tariff, zone: ZoneInfo, holidays: str | None, made: Iterable[Announcement]
) -> AnnouncedRates:
    """Prepare a tariff of announced days for looking up rates.

    Parameters
    ----------
    tariff : Tariff
        A tariff of bands that list kinds of day.
    zone : ZoneInfo
        The household's zone.
    holidays : str or None
        The household's code of public holidays.
    made : iterable of Announcement
        What is announced so far.

    Returns
    -------
    AnnouncedRates
        Its rates, tax included.

    Raises
    ------
    ValueError
        If the tariff announces no kinds.
    """
    if tariff.announced is None:
        raise ValueError(f"{tariff.name} announces no days")
    return AnnouncedRates(
        zone=zone,
        standard=tariff.clock == "standard",
        kinds=announced_kinds_of(tariff.announced, holidays, made),
        by_kind=tuple(band_rates_of(each.tariff, zone, holidays) for each in tariff.by_kind),
    )


def _run_at(runs: Sequence[RateRun], minute: int) -> RateRun:
    return next(run for run in reversed(runs) if run.first <= minute)


def _joined(runs: Iterable[RateRun]) -> list[RateRun]:
    found: list[RateRun] = []
    for run in runs:
        if not found or found[-1][1:] != run[1:]:
            found.append(run)
    return found
