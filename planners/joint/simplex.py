"""Minimise several linear costs in order of importance, by the simplex method on a dense tableau.

For some ten rows and some thousand columns, as `planners.joint.least_shortages` has them. Knows
nothing of charging.

The column with the least reduced cost enters; after `PATIENCE` pivots without a gain, the first one
that could gain does (Bland's rule), so that it ends. Once a cost is at its least, no column enters
that would raise it.

Source: R. G. Bland, "New Finite Pivoting Rules for the Simplex Method", Mathematics of Operations
Research 2 (1977), for the rule (from memory).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

ROUNDING = 1e-9
"""Reduced costs, factors and gains nearer to 0 than this are 0."""

PATIENCE = 30
"""Pivots without a gain before the entering column is chosen by its place."""

MOST_PIVOTS = 5_000
"""It ends after so many, with values that keep every row but may not be the least."""


def least_in_order(rows: Array, right: Array, costs: Array, basis: Sequence[int]) -> Array:
    """Find values of 0 or more with the least first cost, of those the least second, and so on.

    Parameters
    ----------
    rows : ndarray of float, shape (rows, columns)
        Factors of the equations; the columns of the basis are those of the identity.
    right : ndarray of float, shape (rows,)
        Right-hand sides, 0 or more.
    costs : ndarray of float, shape (costs, columns)
        Factors of the costs, the most important first; none is without a least value.
    basis : sequence of int
        For each row, the column whose value it gives at first.

    Returns
    -------
    ndarray of float, shape (columns,)
        At most as many are above 0 as there are rows.
    """
    basic = np.array(basis)
    tableau = np.column_stack((rows, right))
    reduced = np.column_stack((costs, np.zeros(len(costs)))) - costs[:, basic] @ tableau
    may_enter = np.ones(rows.shape[1], np.bool_)
    pivots = 0
    for place in range(len(costs)):
        waited = 0
        while pivots < MOST_PIVOTS:
            gaining = np.flatnonzero(may_enter & (reduced[place, :-1] < -ROUNDING))
            if not len(gaining):
                break
            column = int(gaining[0 if waited > PATIENCE else reduced[place, gaining].argmin()])
            row = _leaving(tableau, column, basic)
            waited = waited + 1 if tableau[row, -1] <= ROUNDING else 0
            _pivot(tableau, reduced, row, column)
            basic[row] = column
            pivots += 1
        may_enter &= reduced[place, :-1] <= ROUNDING
    values = np.zeros(rows.shape[1])
    values[basic] = tableau[:, -1]
    return np.maximum(0.0, values)


def _leaving(tableau: Array, column: int, basic: NDArray[np.intp]) -> int:
    """Return the row whose value falls to 0 first; of several, the one of the first column."""
    factors = tableau[:, column]
    usable = np.flatnonzero(factors > ROUNDING)
    ratios = tableau[usable, -1] / factors[usable]
    first = usable[ratios <= ratios.min() + ROUNDING]
    return int(first[basic[first].argmin()])


def _pivot(tableau: Array, reduced: Array, row: int, column: int) -> None:
    tableau[row] /= tableau[row, column]
    factors = tableau[:, column].copy()
    factors[row] = 0.0
    tableau -= np.outer(factors, tableau[row])
    np.maximum(tableau[:, -1], 0.0, out=tableau[:, -1])  # rounding
    reduced -= np.outer(reduced[:, column], tableau[row])
