"""Cautions about a load that runs at full current for hours (design, section 10)."""

from __future__ import annotations

import pytest

from planners.power.cautions import cautions
from tests.planners.planned import DemoHousehold


def text_of(fuse: float | None = None, **point: object) -> str:
    file = DemoHousehold({"main_fuse_amps": fuse}, point=point).file()
    return " ".join(cautions(file, "driveway"))


@pytest.mark.parametrize("mode", [2, 3])
def test_every_charge_point_has_the_caution_that_software_protects_nothing(mode: int) -> None:
    """Common practice, no source: local rules and an electrician come before any program."""
    text = text_of(charging_mode=mode, max_amps=10.0)
    assert "Software and MQTT are no protective device." in text
    assert "licensed electrician" in text


def test_a_household_socket_carries_at_most_ten_amps() -> None:
    """Common practice, no source: ten amps for hours, no extension lead, watch for warmth."""
    text = text_of(charging_mode=2, max_amps=8.0)
    assert "A household socket carries at most 10 A for hours" in text
    assert "this one is limited to 8 A. Use no extension lead" in text


def test_the_caution_stays_where_an_electrician_has_checked_more() -> None:
    """Above ten amps on a socket, the caution says that the check is the file's statement."""
    text = text_of(charging_mode=2, max_amps=16.0, circuit_checked_by_electrician=True)
    assert "16 A for hours is more than a household socket is good for" in text
    assert "the file says that a licensed electrician has checked this circuit" in text


def test_a_fixed_charge_point_needs_its_own_circuit() -> None:
    """Sized for continuous load by the local code."""
    text = text_of(charging_mode=3, max_amps=32.0)
    assert "needs its own circuit" in text
    assert "32 A of continuous load by the local code" in text


def test_a_plug_or_relay_must_carry_the_current_for_hours() -> None:
    """`on_off` switching adds a caution about the switch; settable current does not."""
    plug = text_of(charging_mode=2, max_amps=10.0, switching="on_off")
    assert "rated for 10 A continuously" in plug
    assert "plug or relay" not in text_of(charging_mode=3, max_amps=16.0)


@pytest.mark.parametrize(("fuse", "left"), [(63.0, "31 A"), (32.0, "0 A"), (25.0, "0 A")])
def test_the_main_fuse_carries_the_house_as_well(fuse: float, left: str) -> None:
    """What charging leaves for everything else, never less than nothing."""
    text = text_of(fuse, charging_mode=3, max_amps=32.0)
    assert f"The main fuse of {fuse:g} A carries the whole house" in text
    assert f"{left} are left for everything else" in text


@pytest.mark.parametrize(("fuse", "drawn", "left"), [(40, 40, 0), (63, 48, 15)])
def test_charge_points_are_counted_together_under_the_main_fuse(
    fuse: float, drawn: int, left: int
) -> None:
    """Two points may charge at once: what is left is beside both."""
    file = DemoHousehold({"main_fuse_amps": fuse}).file()
    garage = file.charge_points["driveway"].model_copy(update={"max_amps": 16.0})
    both = file.model_copy(update={"charge_points": file.charge_points | {"garage": garage}})
    for name in both.charge_points:
        assert (
            f"with {drawn} A for charging at driveway and garage together, {left} A are left for"
            " everything else."
        ) in " ".join(cautions(both, name))


def test_without_a_fuse_in_the_file_no_caution_mentions_one() -> None:
    """No guess about a fuse that was not declared."""
    assert "fuse" not in text_of(None, charging_mode=3, max_amps=32.0)


def test_cautions_reach_the_plan() -> None:
    """A plan carries them, so that its readers see them."""
    plan = DemoHousehold().plan(35.0, "2026-06-03T06:30:00")
    assert plan.cautions == cautions(DemoHousehold().file(), "driveway")
