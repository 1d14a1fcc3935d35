"""Power, losses, taper, and the ladder of ticks."""

from __future__ import annotations

from itertools import repeat

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from planners.power.charging import ChargeModel, climb, ladder

PLAIN = ChargeModel(amps=32, phases=1, volts=230, usable_kwh=52, efficiency=0.9)
TAPERED = ChargeModel(
    amps=16, phases=3, volts=230, usable_kwh=60, efficiency=0.92, standby_kw=0.2,
    taper=((80.0, 100.0), (90.0, 50.0), (100.0, 20.0)),
)  # fmt: skip

models = st.builds(
    ChargeModel,
    amps=st.floats(6, 32),
    phases=st.integers(1, 3),
    volts=st.just(230.0),
    usable_kwh=st.floats(10, 100),
    efficiency=st.floats(0.7, 1),
    standby_kw=st.floats(0, 0.4),
    taper=st.sampled_from([(), TAPERED.taper]),
)


@pytest.mark.parametrize(
    ("soc", "share"), [(0, 1), (80, 1), (85, 0.75), (90, 0.5), (95, 0.35), (100, 0.2)]
)
def test_the_taper_is_linear_between_its_points_and_level_outside(soc: float, share: float) -> None:
    """Full power below the first point, linear between points, the last share above."""
    power = TAPERED.metered_kw(TAPERED.stored_kwh(soc))
    assert power == pytest.approx(share * TAPERED.full_kw)


def test_a_taper_holds_its_first_share_below_its_first_point() -> None:
    """A curve that begins at 20 percent of charge with 60 percent of power starts at 0 so."""
    cold = ChargeModel(16, 1, 230, 50, 0.9, taper=((20.0, 60.0), (40.0, 100.0)))
    assert cold.metered_kw(0) == pytest.approx(0.6 * cold.full_kw)
    assert cold.metered_kw(50) == pytest.approx(cold.full_kw)


def test_the_battery_never_loses_while_it_charges() -> None:
    """Power below what standby takes gains nothing, and takes nothing."""
    assert TAPERED.gained_kw(0.1) == 0.0
    assert TAPERED.gained_kw(10) == pytest.approx(9.2 - 0.2)


def test_no_current_at_all_has_an_efficiency() -> None:
    """Where a main fuse leaves a charge point nothing, its meter may still have counted energy."""
    nothing = ChargeModel(amps=0, phases=1, volts=230, usable_kwh=52, efficiency=0.9)
    assert nothing.full_power_efficiency == 0.9


def test_a_ladder_ends_exactly_at_its_target() -> None:
    """All rungs are whole except the last, which ends where the battery reaches the target."""
    steps = ladder(PLAIN, 18.2, 41.6, 5 / 60, 500)
    assert steps.reaches_target
    assert steps.share[:-1].tolist() == [1.0] * (steps.rungs - 1)
    assert 0 < steps.share[-1] <= 1
    assert steps.metered_kwh.sum() == pytest.approx(26.0)
    assert steps.gained_kwh.sum() == pytest.approx(23.4)


def test_a_ladder_ends_where_its_ticks_do() -> None:
    """Ten ticks of the hundred it needs: ten whole rungs, and the target is not reached."""
    steps = ladder(PLAIN, 0, 52, 5 / 60, 10)
    assert not steps.reaches_target
    assert steps.share.tolist() == [1.0] * 10


@pytest.mark.parametrize("to_kwh", [10.0, 20.0])
def test_a_target_already_reached_takes_no_rung(to_kwh: float) -> None:
    """Nothing is bought for a target at or below what the battery holds."""
    steps = ladder(PLAIN, 20.0, to_kwh, 0.5, 10)
    assert (steps.rungs, steps.reaches_target) == (0, True)
    assert steps.metered_kwh.sum() == 0


def test_a_charge_that_gains_nothing_stops() -> None:
    """A taper to nothing ends the ladder before the target, not in an endless loop."""
    dying = ChargeModel(16, 1, 230, 50, 0.9, taper=((50.0, 100.0), (60.0, 0.0)))
    steps = climb(dying, 24.0, 50.0, repeat(0.5, 2000))
    assert not steps.reaches_target
    assert 24 + steps.gained_kwh.sum() <= 30 + 1e-6


@given(models, st.floats(0, 100), st.floats(0, 100), st.floats(1 / 60, 1))
def test_energy_is_conserved_on_every_rung(
    model: ChargeModel, soc: float, target: float, hours: float
) -> None:
    """Metered energy x efficiency - standby x time on is what the battery gains."""
    steps = ladder(model, model.stored_kwh(soc), model.stored_kwh(target), hours, 200)
    on = steps.share * hours
    gained = model.efficiency * steps.metered_kwh - model.standby_kw * on
    assert np.allclose(steps.gained_kwh, gained, atol=1e-9)
    assert np.all(steps.metered_kwh <= model.full_kw * on + 1e-9)
    assert (
        model.stored_kwh(soc) + steps.gained_kwh.sum()
        <= max(model.stored_kwh(target), model.stored_kwh(soc)) + 1e-9
    )


@given(models, st.floats(0, 99), st.integers(2, 12))
def test_finer_ticks_tell_the_same_story(model: ChargeModel, soc: float, parts: int) -> None:
    """Without a taper, cutting ticks finer changes neither energy nor time."""
    plain = ChargeModel(
        model.amps, model.phases, model.volts, model.usable_kwh, model.efficiency, model.standby_kw
    )
    to_kwh = plain.usable_kwh
    coarse = ladder(plain, plain.stored_kwh(soc), to_kwh, 0.5, 400)
    fine = ladder(plain, plain.stored_kwh(soc), to_kwh, 0.5 / parts, 400 * parts)
    assert fine.metered_kwh.sum() == pytest.approx(coarse.metered_kwh.sum())
    assert fine.share.sum() * 0.5 / parts == pytest.approx(coarse.share.sum() * 0.5)
