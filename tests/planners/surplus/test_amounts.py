"""The cheapest amounts of a chain of stages, against a linear programme on HiGHS."""

from __future__ import annotations

import random

import pytest

from planners.surplus.amounts import Slope, Stage, cheapest_amounts
from tests.planners.solver.linear_model import LinearModel, minimised


def random_chain(rng: random.Random) -> tuple[float, list[Stage]]:
    """Draw stages that some amounts satisfy: the bounds lie around those of a random choice."""
    begin = held = rng.uniform(0, 5)
    stages = []
    for _ in range(rng.randint(1, 4)):
        slopes = []
        for part in range(rng.randint(0, 5)):
            prices = sorted(rng.choice((rng.uniform(-1, 1), 0.3)) for _ in range(2))
            slopes += [Slope(price, rng.uniform(0, 2), part) for price in prices]
        fixed = rng.uniform(0, 2)
        held += fixed + sum(slope.most * rng.random() for slope in slopes)
        least = held - rng.choice((0.0, rng.uniform(0, 3)))
        most = held + rng.choice((0.0, rng.uniform(0, 3)))
        middle = rng.uniform(least, most)
        worths = sorted(rng.uniform(-0.8, 0.0) for _ in range(2))
        worth = [Slope(worths[0], middle - least), Slope(worths[1], most - middle)]
        lost = rng.uniform(0, max(0.0, least))
        stages.append(Stage(fixed, slopes, least, most, worth, lost))
        held -= lost
    return begin, stages


def cost_of(begin: float, stages: list[Stage], amounts: list[dict[int, float]]) -> float:
    """Price amounts; every bound must be kept."""
    cost, held = 0.0, begin
    for stage, chosen in zip(stages, amounts, strict=True):
        for part, amount in chosen.items():
            left = amount
            for slope in (each for each in stage.slopes if each.part == part):
                cost += slope.price * min(left, slope.most)
                left -= min(left, slope.most)
            assert left <= 1e-9
        held += stage.fixed + sum(chosen.values())
        assert stage.least - 1e-9 <= held <= stage.most + 1e-9
        above = held - stage.least
        for slope in stage.worth:
            cost += slope.price * min(above, slope.most)
            above -= min(above, slope.most)
        held -= stage.lost
    return cost


def least_by_highs(begin: float, stages: list[Stage]) -> float:
    model, held = LinearModel(), [(0, 1.0)]
    model.column(begin, begin)
    for stage in stages:
        parts = [model.column(slope.most) for slope in stage.slopes]
        worth = [model.column(slope.most) for slope in stage.worth]
        model.charge([(column, s.price) for column, s in zip(parts, stage.slopes, strict=True)])
        model.charge([(column, s.price) for column, s in zip(worth, stage.worth, strict=True)])
        end = model.column(stage.most, stage.least)
        added = [*held, *((column, 1.0) for column in parts)]
        model.equal([*added, (end, -1.0)], -stage.fixed)
        model.equal([(end, 1.0), *((column, -1.0) for column in worth)], stage.least)
        after = model.column(1e6)
        model.equal([(after, 1.0), (end, -1.0)], -stage.lost)
        held = [(after, 1.0)]
    solver = model.highs()
    assert minimised(solver, model.cost)
    return float(solver.getObjectiveValue())


@pytest.mark.parametrize("block", range(5))
def test_costs_what_highs_finds(block: int) -> None:
    """The amounts keep every bound, and no others cost less."""
    for number in range(30):
        begin, stages = random_chain(random.Random(f"chain {block} {number}"))
        found = cost_of(begin, stages, cheapest_amounts(begin, stages))
        assert found == pytest.approx(least_by_highs(begin, stages), abs=1e-6)


def test_of_slopes_that_cost_the_same_the_first_is_taken() -> None:
    """Ties go by the order of the parts: it is the order of time, or the reverse."""
    stage = Stage(0.0, [Slope(0.1, 2.0, 7), Slope(0.1, 2.0, 3)], 3.0, 3.0, [])
    assert cheapest_amounts(0.0, [stage]) == [{7: 2.0, 3: 1.0}]
