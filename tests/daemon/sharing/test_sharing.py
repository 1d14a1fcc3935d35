"""Two charge points share a fuse by a joint plan, and never draw more than it carries."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

import pytest

from adapters.contract.messages import Reading
from tests.daemon.sharing.homes import VOLTS, WEEK, Home, home_of
from tests.daemon.worlds import HOUR, MINUTE, utc

if TYPE_CHECKING:
    from pathlib import Path

    from adapters.ledger.ledger import Ledger

EVENING = utc("2026-06-03T10:45")
"""22:45 in Auckland; the night band begins at 23:00 and ends at 07:00."""

SETTLED = timedelta(seconds=75)
"""Commands have arrived, vehicles have followed, and meters were read."""

WITHIN_A_LEASE = timedelta(seconds=20)
"""A start above the fixed share was renewed at most 30 s ago, and lasts a minute."""


@pytest.fixture
def home(tmp_path: Path, ledger: Ledger) -> Home:
    return Home(tmp_path, ledger, EVENING, home_of())


def test_one_vehicle_alone_takes_all_that_its_charge_point_can(home: Home) -> None:
    home.plug_in("east", 20)
    home.pass_time(20 * MINUTE)
    assert home.currents() == {"east": 32.0, "west": 0.0}
    home.pass_time(5 * HOUR)
    assert home.hardware["east"].meter_wh == pytest.approx(1_030_000, abs=100)


def test_two_vehicles_use_the_whole_fuse_and_both_are_ready(home: Home) -> None:
    home.plug_in("east", 20)
    home.plug_in("west", 20)
    home.pass_time(8 * HOUR + 15 * MINUTE)
    assert home.highest == pytest.approx(40.0)
    for hardware in home.hardware.values():
        assert hardware.meter_wh == pytest.approx(1_030_000, abs=100)


def test_one_that_leaves_gives_its_current_to_the_other(home: Home) -> None:
    home.plug_in("east", 10)
    home.plug_in("west", 10)
    home.pass_time(20 * MINUTE)
    assert home.drawn == pytest.approx(40.0)
    home.unplug("east")
    home.pass_time(SETTLED)
    assert home.currents() == {"east": 0.0, "west": 32.0}


def test_one_that_comes_waits_until_the_other_has_given_way(home: Home) -> None:
    home.plug_in("east", 0)
    home.pass_time(75 * MINUTE)
    assert home.currents() == {"east": 32.0, "west": 0.0}
    home.plug_in("west", 20)
    assert home.state("west").waits_for_others
    home.pass_time(timedelta(seconds=36))  # the first reading after the other has given way
    assert not home.state("west").waits_for_others
    assert home.currents()["west"] >= 6
    home.pass_time(7 * HOUR)
    assert home.hardware["east"].meter_wh == pytest.approx(1_040_000, abs=100)
    assert home.hardware["west"].meter_wh == pytest.approx(1_030_000, abs=100)


def test_hardware_that_a_lower_command_does_not_reach_keeps_its_current_until_its_start_expires(
    home: Home,
) -> None:
    home.plug_in("east", 0)
    home.pass_time(20 * MINUTE)
    home.set_deaf("east", is_deaf=True)
    home.plug_in("west", 0)
    home.pass_time(WITHIN_A_LEASE)
    assert home.currents() == {"east": 32.0, "west": 8.0}
    home.pass_time(MINUTE + SETTLED)
    assert home.currents() == {"east": 0.0, "west": 20.0}


def test_a_daemon_that_starts_again_knows_what_others_may_still_draw(home: Home) -> None:
    home.plug_in("east", 0)
    home.pass_time(20 * MINUTE)
    home.set_deaf("east", is_deaf=True)
    home.plug_in("west", 0)
    home.start()
    home.pass_time(WITHIN_A_LEASE)
    assert home.currents() == {"east": 32.0, "west": 8.0}


def test_one_that_comes_back_to_a_start_that_still_holds_is_given_way_to_at_once(
    tmp_path: Path, ledger: Ledger
) -> None:
    """A stop that never reached its hardware lets it draw as before, for less than a minute."""
    home = Home(tmp_path, ledger, EVENING, home_of(), late_by=lambda: timedelta(seconds=8))
    home.plug_in("east", 0)
    home.pass_time(20 * MINUTE)
    assert home.currents()["east"] == 32
    home.set_deaf("east", is_deaf=True)
    home.unplug("east")
    home.plug_in("west", 0)
    home.pass_time(timedelta(seconds=5))
    assert home.currents()["west"] == 32
    home.plug_in("east", 20)
    command = home.state("west").command
    assert command is not None
    assert command.amps == 8


def _read_every(home: Home, span: timedelta, count: int) -> list[float]:
    """Let the home's meter be read so often, and return the currents of east after each time."""
    found = []
    home.load_read_every = span
    home.read_load()
    for _ in range(count):
        home.pass_time(span)
        found.append(home.currents()["east"])
    return found


def test_a_silent_meter_leaves_fixed_parts_until_it_is_read_steadily(home: Home) -> None:
    """After 30 s, and a command on its way; back after 3 minutes of readings."""
    home.plug_in("east", 0)
    home.read_load()
    home.pass_time(20 * MINUTE)
    assert home.currents()["east"] == 32.0
    home.load_read_every = HOUR
    home.pass_time(timedelta(seconds=45))
    assert home.currents()["east"] == 20.0
    plan = home.state("east").plan
    assert plan is not None
    assert "fixed part of the main fuse" in " ".join(plan.why)
    status = home.bus.last("status")["home_load"]
    assert status["fixed_parts"]
    assert "gap_seconds" not in status
    home.pass_time(10 * MINUTE)
    assert _read_every(home, timedelta(seconds=20), 9) == [20.0] * 9
    assert _read_every(home, timedelta(seconds=20), 2)[-1] == 32.0
    assert not home.bus.last("status")["home_load"]["fixed_parts"]


def test_a_meter_that_is_read_once_a_minute_does_not_flap(home: Home) -> None:
    """The fixed parts hold, and each reading counts until the next."""
    home.plug_in("east", 0)
    home.pass_time(20 * MINUTE)
    assert home.currents()["east"] == 32.0
    home.set_load(5.0)
    _read_every(home, MINUTE, 2)
    assert _read_every(home, MINUTE, 20) == [20.0] * 20
    status = home.bus.last("status")["home_load"]
    assert (status["gap_seconds"], status["leaves_amps"]) == (60, [35.0] * 3)
    home.set_load(30.0)
    assert _read_every(home, MINUTE, 5) == [10.0] * 5
    home.set_load(5.0)
    assert _read_every(home, MINUTE, 5)[-1] == 20.0


def test_charge_now_takes_what_the_plans_of_others_leave(home: Home) -> None:
    home.plug_in("east", 0)
    home.pass_time(20 * MINUTE)
    home.plug_in("west", 0)
    home.pass_time(SETTLED)
    before = home.currents()
    home.ask("west", charge_now=True)
    home.pass_time(SETTLED)
    assert home.drawn <= 40
    assert home.currents()["east"] >= before["east"]
    home.unplug("east")
    home.pass_time(SETTLED)
    assert home.currents() == {"east": 0.0, "west": 32.0}


@pytest.mark.parametrize(("soc", "amps"), [(80, (0.0, 32.0)), (70, (20.0, 20.0))])
def test_in_its_margin_a_vehicle_takes_what_is_left_only_for_its_need(
    tmp_path: Path, ledger: Ledger, soc: float, amps: tuple[float, float]
) -> None:
    """Where one needs no more, the other takes all of it up to its departure."""
    document = home_of()
    for departure in document["departures"]:
        departure["margin_minutes"] = 20
    home = Home(tmp_path, ledger, utc("2026-06-03T18:43"), document)
    home.plug_in("east", soc)
    home.plug_in("west", 20)
    home.pass_time(3 * MINUTE)
    assert tuple(home.currents().values()) == amps


def test_charge_now_never_takes_less_than_the_joint_plan_gave(home: Home) -> None:
    """The night is too short for both: each goes on with its part of the fuse."""
    home.plug_in("east", 0)
    home.plug_in("west", 0)
    home.pass_time(20 * MINUTE)
    before = home.currents()
    assert before["west"] > 12
    home.ask("west", charge_now=True)
    home.pass_time(SETTLED)
    assert home.currents()["west"] >= before["west"]
    assert home.currents()["east"] >= 6


def test_charge_now_does_not_stop_a_relay_that_charges(tmp_path: Path, ledger: Ledger) -> None:
    """Its 16 A and the other's 9 A fill the fuse; what the other could take leaves it nothing."""
    household = home_of(main_fuse_amps=25)
    household["charge_points"]["west"] |= {"max_amps": 16, "switching": "on_off"}
    home = Home(tmp_path, ledger, EVENING, household)
    home.plug_in("east", 20)
    home.plug_in("west", 20)
    home.pass_time(22 * MINUTE)
    assert home.currents() == {"east": 9.0, "west": 16.0}
    home.ask("west", charge_now=True)
    home.pass_time(SETTLED)
    assert home.currents() == {"east": 9.0, "west": 16.0}


def test_a_plan_says_that_it_was_made_for_several_and_how_good_it_is(home: Home) -> None:
    home.plug_in("east", 20)
    home.plug_in("west", 70)
    plan = home.state("west").plan
    assert plan is not None
    assert "Planned together with car-east: proven to be the cheapest." in plan.why


def test_a_preview_changes_nothing_for_the_others(home: Home) -> None:
    home.plug_in("east", 20)
    home.plug_in("west", 20)
    before = [home.state(point).plan for point in home.hardware]
    sharing = home.service._fuse.sharing
    home.ask("west", charge_now=True, preview=True, id="try")
    assert [home.state(point).plan for point in home.hardware] == before
    assert home.service._fuse.sharing is sharing
    assert "Charges now at 32 A" in home.bus.on("answer")[-1]["message"]


def test_hardware_that_reports_nothing_leaves_fixed_parts(tmp_path: Path, ledger: Ledger) -> None:
    document = home_of()
    start = {"topic": "plug/west", "text": "on"}
    stop = {"topic": "plug/west", "text": "off"}
    document["charge_points"]["west"] |= {
        "switching": "on_off",
        "max_amps": 16,
        "wiring": {"tell": {"start": start, "stop": stop}},
    }
    home = Home(tmp_path, ledger, EVENING, document)
    home.plug_in("east", 20)
    home.pass_time(20 * MINUTE)
    assert home.currents()["east"] == 24.0


def test_charge_points_on_different_phases_do_not_wait_for_each_other(
    tmp_path: Path, ledger: Ledger
) -> None:
    document = home_of(main_fuse_amps=[40, 40, 40])
    document["household"]["max_unbalance_amps"] = 40
    document["charge_points"]["west"]["connected_to"] = ["L2"]
    home = Home(tmp_path, ledger, EVENING, document)
    home.plug_in("east", 0)
    home.plug_in("west", 0)
    home.pass_time(20 * MINUTE)
    assert home.currents() == {"east": 32.0, "west": 32.0}


def test_one_that_charges_gives_way_to_one_that_is_seen_to_take_more(home: Home) -> None:
    """As soon as the other's meter shows it, though it waits for nothing."""
    home.plug_in("east", 20)
    home.plug_in("west", 20)
    home.pass_time(20 * MINUTE)
    assert home.currents() == {"east": 32.0, "west": 8.0}
    watts = 20 * VOLTS
    home.post("west", "reading", Reading(at=home.clock.at, register_kwh=1001.0, watts=watts))
    command = home.state("east").command
    assert command is not None
    assert command.amps == 20


def test_charge_now_says_what_it_does_to_the_others(home: Home) -> None:
    """The preview and the answer say the same; one that is not there is not mentioned."""
    home.plug_in("east", 20)
    home.plug_in("west", 20)
    home.pass_time(20 * MINUTE)
    home.ask("west", charge_now=True, preview=True, id="1")
    home.ask("east", charge_now=True, preview=True, id="2")
    home.ask("east", charge_now=True, id="3")
    stays, tried, done = (answer["message"] for answer in home.bus.on("answer")[-3:])
    assert stays.endswith("The plan of car-east stays as it is.")
    assert "The plan of car-west then ends at Thu 0" in tried
    assert tried == f"Preview: nothing has changed. {done}"


def test_commands_that_extend_each_other_by_half_a_minute_are_one_in_the_record(
    home: Home, ledger: Ledger
) -> None:
    """Else every night would leave a thousand rows for ever; the plan is new every 15 minutes."""
    home.plug_in("east", 20)
    home.pass_time(75 * MINUTE)
    command = home.state("east").command
    assert command is not None
    sent = [payload for topic, payload, _ in home.bus.messages if topic.endswith("east/command")]
    rows = ledger.commands_between("east", EVENING, home.clock.at)
    assert len(sent) > 100
    assert len(rows) < 12
    assert (rows[-1].serial, rows[-1].valid_until) == (command.serial, command.valid_until)
    assert [row.at for row in rows] == sorted(row.at for row in rows)


def test_two_vehicles_keep_to_a_capacity_charge_where_the_fuse_would_carry_both(
    tmp_path: Path, ledger: Ledger
) -> None:
    """They take turns under the step of 8 kW; one that a person lets charge does not wait."""
    document = home_of(main_fuse_amps=100)
    steps = [{"up_to_kw": 8, "charge": 100}, {"charge": 300}]
    charge = {"per": "month", "interval_minutes": 60, "steps": steps}
    document["tariffs"][0]["capacity_charge"] = charge
    home = Home(tmp_path, ledger, EVENING, document)
    home.plug_in("east", 50)
    home.plug_in("west", 50)
    plan = home.state("west").plan
    assert plan is not None
    assert plan.why[-1].startswith("Kept to 8.0 kW for the whole home")
    home.pass_time(15 * MINUTE)
    before = home.meters_wh
    home.pass_time(HOUR)
    assert 7000 < home.meters_wh - before <= 8000 + 10
    home.ask("west", charge_now=True)
    home.pass_time(SETTLED)
    assert home.currents()["west"] == 32.0
    home.pass_time(7 * HOUR)
    for hardware in home.hardware.values():
        assert hardware.meter_wh == pytest.approx(1_015_000, abs=100)


def test_no_warning_of_a_later_need_that_the_whole_fuse_can_meet(
    tmp_path: Path, ledger: Ledger
) -> None:
    """The joint plan reaches to the next departures: what follows may have the fuse for itself.

    By hand, in six hours and a half 20 A x 230 V are 29.9 kWh of the 44 that are needed; 32 A are
    47.8.
    """
    house = home_of()
    house["vehicles"]["car-east"]["usable_kwh"] = 60
    first = {"days": ["thu"], "at": "07:00", "need_percent": 20, "returns": "00:30", "uses_kwh": 2}
    then = {"days": list(WEEK[4:]), "at": "07:00", "need_percent": 90}
    house["departures"] = [
        {"vehicle": "car-east", **first},
        {"vehicle": "car-east", **then},
        {"vehicle": "car-west", **first, "days": ["thu"]},
    ]
    home = Home(tmp_path, ledger, utc("2026-06-03T18:30"), house)
    home.plug_in("east", 20)
    home.plug_in("west", 20)
    home.pass_time(2 * MINUTE)
    state = home.service._states["east"]
    assert state.plan is not None
    later = state.plan.later[0]
    assert later.reaches_percent < later.need_percent - 5
    assert "need-out-of-reach" not in state.alerts


def test_a_need_out_of_reach_misses_no_more_than_at_first(tmp_path: Path, ledger: Ledger) -> None:
    """The first priority leaves west all that it can, from the first hour on, though that is dear.

    By hand, in 3 hours 40 A x 230 V are 27.6 kWh. East needs 22 kWh, of which 2 hours at 32 A give
    14.72 after west has left.
    """
    house = home_of()
    house["vehicles"]["car-west"]["usable_kwh"] = 70
    house["vehicles"]["car-east"]["priority"] = 1
    house["departures"][0] |= {"at": "03:00", "need_percent": 44}
    house["departures"][1] |= {"at": "01:00", "need_percent": 50}
    home = Home(tmp_path, ledger, utc("2026-06-03T10:00"), house)
    home.plug_in("east", 0)
    home.plug_in("west", 0)
    home.pass_time(3 * HOUR)
    assert home.hardware["west"].meter_wh == pytest.approx(1_020_320, abs=100)
    home.unplug("west")
    home.pass_time(2 * HOUR)
    assert home.hardware["east"].meter_wh == pytest.approx(1_022_000, abs=100)
