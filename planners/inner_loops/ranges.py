"""Find the least value in a range of levels, for all levels at once."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Row = NDArray[np.float64]
    Index = NDArray[np.intp]


class Ranges:
    """A range of levels for each level.

    Each minimum is taken over overlapping stretches of 1, 2, 4, ... levels, whose own minima are
    found by doubling. A range may continue past the last level of all, where every value is
    infinite, so that ranges which end there need no special treatment.

    Parameters
    ----------
    first, last : ndarray of int, shape (levels,)
        The range of each level; `first` is above the level itself.
    exists : ndarray of bool, shape (levels,)
        Whether the level has a range.
    """

    def __init__(self, first: Index, last: Index, exists: NDArray[np.bool_]) -> None:
        self.exists = exists
        here = np.arange(len(first))
        self.first, self.last = np.where(exists, first, here + 1), np.where(exists, last, 0)
        self._even_part: tuple[int, int] | None = None
        self.blocked = np.where(exists, 0.0, np.inf)
        self._stretch = 0  # not prepared yet: the accelerator has its own ways

    def _prepare(self) -> None:
        """Find the stretches that cover the ranges."""
        first, last, exists = self.first, self.last, self.exists
        here = np.arange(len(first))
        ahead, length = (first - here)[exists], (last - first + 1)[exists]
        inside = length[last[exists] < self.last.max(initial=0)]
        if not len(inside):
            inside = length if len(length) else np.ones(1, dtype=np.intp)
        self._doublings = int(np.frexp(inside.min())[1]) - 1
        self._stretch = 1 << self._doublings
        self._starts = self._starts_of(np.where(exists, first, here), np.where(exists, last, here))
        self._ahead: list[int] | None = None
        if len(ahead) and ahead.min() == ahead.max() and inside.min() == inside.max():
            to_last = int(inside[0]) - self._stretch
            self._ahead = [int(ahead[0]), int(ahead[0]) + to_last]
        self._work: list[Row] = []
        self._pad = self._stretch + int(ahead.max(initial=0)) + int(inside.max())

    def _starts_of(self, first: Index, last: Index) -> list[Index]:
        """List the starts of the stretches that cover each range."""
        latest = np.maximum(first, last - self._stretch + 1)
        count = -(-int((last - first + 1).max(initial=1)) // self._stretch)
        return [np.minimum(first + t * self._stretch, latest) for t in range(count)]

    def _work_for(self, shape: tuple[int, ...]) -> list[Row]:
        """Return two work arrays, padded past the last level with infinity."""
        shape = (shape[0], shape[1] + self._pad)
        if not self._work or self._work[0].shape != shape:
            self._work = [np.full(shape, np.inf), np.full(shape, np.inf)]
        return list(self._work)

    def _at_last(self, values: Row, out: Row) -> None:
        """Find the value at the end of each level's range; shapes as for `least`."""
        if self._even_part is None:
            ahead = self.last - np.arange(len(self.last))
            self._even_part = _even_part(ahead, self.exists)
        shift, even = self._even_part
        out[:, :even] = values[:, shift : shift + even]
        out[:, even:] = values.take(self.last[even:], axis=1)

    def least(self, after: Row, slope: Row, out: Row, top: int, low: float | None) -> None:
        """Find the least sum of `after` and `slope` in each level's range.

        Parameters
        ----------
        after : ndarray of float, shape (rows, levels)
            Infinity above the last level of all ranges.
        slope : ndarray of float, shape (levels,)
            What each level adds.
        out : ndarray of float, shape (rows, levels)
            Takes what is found; undefined for a level without a range: add `blocked` to make it
            infinite.
        top : int
            The levels above it count as infinite.
        low : float or None
            What the last level of each range is better by.
        """
        if not self._stretch:
            self._prepare()
        levels = after.shape[1]
        least, other_work = self._work_for(after.shape)
        values = least[:, :levels]
        np.add(after, slope, out=values)
        values[:, top + 1 :] = np.inf
        is_last_alone = self._doublings == 0 and len(self._starts) == 1
        if low is not None or is_last_alone:
            self._at_last(values, out)
            out -= low or 0.0
            if is_last_alone:
                return
        for k in range(self._doublings):
            half = 1 << k
            np.minimum(least[:, :-half], least[:, half:], out=other_work[:, :-half])
            least, other_work = other_work, least
        if self._ahead is not None:
            found = [least[:, ahead : ahead + levels] for ahead in self._ahead]
        else:
            found = [least.take(start, axis=1) for start in self._starts]
        if low is None:
            np.minimum(found[0], found[-1], out=out)
        for some in found:
            np.minimum(out, some, out=out)


def _even_part(ahead: Index, exists: NDArray[np.bool_]) -> tuple[int, int]:
    """Return how many levels ahead the first range ends, and how many also do."""
    shift = int(ahead[exists][0]) if exists.any() else 0
    odd = np.flatnonzero((ahead != shift) & exists)
    even = int(odd[0]) if len(odd) else len(ahead)
    return shift, max(0, min(even, len(ahead) - shift))
