"""Build a mixed-integer model row by row, and hand it to HiGHS in one piece."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field

import highspy
import numpy as np

Terms = Iterable[tuple[int, float]]

INFEASIBLE = (
    highspy.HighsModelStatus.kInfeasible,
    highspy.HighsModelStatus.kUnboundedOrInfeasible,
)


@dataclass
class LinearModel:
    """Columns and rows; a column is known by its number."""

    lower: list[float] = field(default_factory=list)
    upper: list[float] = field(default_factory=list)
    cost: list[float] = field(default_factory=list)
    integral: list[bool] = field(default_factory=list)
    row_lower: list[float] = field(default_factory=list)
    row_upper: list[float] = field(default_factory=list)
    row_start: list[int] = field(default_factory=lambda: [0])
    indices: list[int] = field(default_factory=list)
    values: list[float] = field(default_factory=list)

    def column(self, upper: float = 1.0, lower: float = 0.0) -> int:
        """Add a continuous column."""
        self.lower.append(lower)
        self.upper.append(upper)
        self.cost.append(0.0)
        self.integral.append(False)
        return len(self.lower) - 1

    def binary(self, *, allowed: bool = True) -> int:
        """Add a column that is 0 or 1, or 0 where 1 is not allowed."""
        number = self.column(upper=float(allowed))
        self.integral[number] = True
        return number

    def charge(self, terms: Terms) -> None:
        """Add to the cost of columns."""
        for number, coefficient in terms:
            self.cost[number] += coefficient

    def at_most(self, terms: Terms, bound: float) -> None:
        """Add a row ``terms <= bound``."""
        self._row(terms, -math.inf, bound)

    def at_least(self, terms: Terms, bound: float) -> int:
        """Add a row ``terms >= bound`` and give its number."""
        self._row(terms, bound, math.inf)
        return len(self.row_lower) - 1

    def equal(self, terms: Terms, bound: float) -> None:
        """Add a row ``terms == bound``."""
        self._row(terms, bound, bound)

    def _row(self, terms: Terms, lower: float, upper: float) -> None:
        gathered: dict[int, float] = {}
        for number, coefficient in terms:
            gathered[number] = gathered.get(number, 0.0) + coefficient
        self.indices.extend(gathered)
        self.values.extend(gathered.values())
        self.row_start.append(len(self.indices))
        self.row_lower.append(lower)
        self.row_upper.append(upper)

    def highs(self) -> highspy.Highs:
        """Hand the model to a solver that closes the gap."""
        lp = highspy.HighsLp()
        lp.num_col_, lp.num_row_ = len(self.lower), len(self.row_lower)
        lp.col_lower_, lp.col_upper_ = np.array(self.lower), np.array(self.upper)
        lp.col_cost_ = np.array(self.cost)
        lp.row_lower_, lp.row_upper_ = np.array(self.row_lower), np.array(self.row_upper)
        lp.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
        lp.a_matrix_.start_ = np.array(self.row_start)
        lp.a_matrix_.index_ = np.array(self.indices)
        lp.a_matrix_.value_ = np.array(self.values)
        kinds = (highspy.HighsVarType.kContinuous, highspy.HighsVarType.kInteger)
        lp.integrality_ = [kinds[integral] for integral in self.integral]
        solver = highspy.Highs()  # type: ignore[no-untyped-call]
        solver.setOptionValue("output_flag", False)  # noqa: FBT003 - its interface
        solver.setOptionValue("mip_rel_gap", 0.0)
        solver.setOptionValue("mip_abs_gap", 1e-9)
        solver.setOptionValue("mip_feasibility_tolerance", 1e-7)
        solver.setOptionValue("primal_feasibility_tolerance", 1e-8)
        # HiGHS 1.16 removes an equation of one 0-or-1 and one continuous column wrongly: a model
        # that need not charge at all was answered with a start, as optimal (seed 523 of the test).
        solver.setOptionValue("presolve_rule_off", 1 << 9)
        solver.setOptionValue("mip_detect_symmetry", False)  # noqa: FBT003 - there is none
        solver.setOptionValue("mip_allow_restart", False)  # noqa: FBT003 - no gain here
        # On models of a night, idle threads and this heuristic cost more than the rest together.
        solver.setOptionValue("threads", 1)
        solver.setOptionValue("mip_heuristic_run_feasibility_jump", False)  # noqa: FBT003
        solver.passModel(lp)
        return solver


def minimised(solver: highspy.Highs, costs: list[float]) -> bool:
    """Minimise with these costs of the columns; False if HiGHS finds no optimum."""
    solver.changeColsCost(len(costs), np.arange(len(costs)), np.array(costs))
    solver.run()
    return bool(solver.getModelStatus() == highspy.HighsModelStatus.kOptimal)
