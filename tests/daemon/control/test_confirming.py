"""How the hardware follows commands, row by row of the table in `daemon.control.confirming`."""

from __future__ import annotations

from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from adapters.contract.messages import Reading
from config.doors.ocpp import OcppPoint
from daemon.control.confirming import LONGEST_WAIT
from daemon.control.events import HouseChanged, Issue, Note, TimePassed, Warn
from daemon.control.state import House, counted_soc_percent
from daemon.messaging.status import status_of
from tests.daemon.worlds import (
    EVENING,
    HOUR,
    MINUTE,
    NIGHT_BEGINS,
    POINT,
    World,
    household,
    kowhai,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

C = timedelta(minutes=2)
"""The file's `confirm_seconds`, by default."""


def at_home(now: datetime, soc: float = 35.0, **fields: float) -> World:
    world = World(kowhai(), EVENING)
    for name, value in fields.items():
        setattr(world, name, value)
    world.read()
    world.plug_in(soc)
    world.wait(now)
    return world


def times_sent(world: World, do: str, since: datetime) -> list[datetime]:
    """List when a command was sent, or sent again, from an instant on."""
    return [
        at
        for at, action in world.actions
        if isinstance(action, Issue) and action.command.do == do and at >= since
    ]


def alerts(world: World) -> list[tuple[datetime, str]]:
    return [(at, action.code) for at, action in world.actions if isinstance(action, Warn)]


def gaps(instants: Sequence[datetime]) -> list[timedelta]:
    return [later - earlier for earlier, later in pairwise(instants)]


def test_a_start_that_is_followed_is_sent_once() -> None:
    """If power flows, a start is only sent again before it expires, and nobody is warned."""
    world = at_home(NIGHT_BEGINS + HOUR)
    assert gaps(times_sent(world, "start", NIGHT_BEGINS)) == [20 * MINUTE] * 3
    assert alerts(world) == []


def test_a_start_that_nothing_follows() -> None:
    """It is sent again after 2 and 4 more minutes; then a person is warned, once."""
    world = at_home(NIGHT_BEGINS + HOUR, draws=0.0)
    starts = times_sent(world, "start", NIGHT_BEGINS)
    assert gaps(starts[:3]) == [C, 2 * C]
    assert alerts(world) == [(NIGHT_BEGINS + 3 * C, "no-power-after-start")]
    (warning,) = [action for _, action in world.actions if isinstance(action, Warn)]
    assert "hatchback is connected and draws nothing" in warning.message
    # From then on it is only sent again when it is renewed.
    assert set(gaps(starts[2:])) == {20 * MINUTE}


def test_serials_grow_with_each_sending() -> None:
    """A command that is sent again has its own serial, or hardware would ignore it."""
    world = at_home(NIGHT_BEGINS + HOUR, draws=0.0)
    serials = [issue.command.serial for issue in world.issued()]
    assert gaps_are_one(serials)


def gaps_are_one(numbers: Sequence[int]) -> bool:
    return all(later - earlier == 1 for earlier, later in pairwise(numbers))


def test_a_late_response_clears_the_alert() -> None:
    """A vehicle that begins by its own timer does what was wanted: the alert is cleared."""
    world = at_home(NIGHT_BEGINS + 30 * MINUTE, draws=0.0)
    assert "no-power-after-start" in world.state.alerts
    world.draws = 1.0
    world.wait(NIGHT_BEGINS + 32 * MINUTE)
    assert "no-power-after-start" not in world.state.alerts
    assert world.doing()[0] == "start"


@pytest.mark.parametrize("quiet", [MINUTE, 5 * MINUTE, 13 * MINUTE])
def test_a_vehicle_that_pauses_is_given_time(quiet: timedelta) -> None:
    """A pause of less than 14 minutes ends nothing: 2, 4 and 8 minutes of patience."""
    world = at_home(NIGHT_BEGINS + HOUR)
    world.draws = 0.0
    world.wait(NIGHT_BEGINS + HOUR + quiet)
    world.draws = 1.0
    world.wait(NIGHT_BEGINS + 2 * HOUR)
    assert world.doing() == ("start", 32.0)
    assert alerts(world) == []


def test_a_vehicle_that_ends_its_charge_by_itself_is_left_alone() -> None:
    """After 14 minutes without power the plan is closed, and not tried again all night."""
    world = at_home(NIGHT_BEGINS + 3 * HOUR)  # 35 % and three hours at 32 A: 73 %, 60 needed
    world.draws = 0.0
    world.wait(NIGHT_BEGINS + 9 * HOUR)
    assert world.doing() == ("stop", None)
    assert world.state.plan is None
    stops = [at for at, do in world.switches() if do == "stop" and at > NIGHT_BEGINS]
    assert 14 * MINUTE <= stops[0] - (NIGHT_BEGINS + 3 * HOUR) <= 15 * MINUTE
    assert len(stops) == 1
    assert alerts(world) == [], "it has what it needs"
    assert any(isinstance(a, Note) and a.event == "ended-by-itself" for _, a in world.actions)


def test_a_vehicle_that_ends_short_of_its_need_is_an_alert() -> None:
    """A person is warned while there is still time to do something."""
    world = at_home(NIGHT_BEGINS + HOUR)  # 47.7 %, 60 needed
    world.draws = 0.0
    world.wait(NIGHT_BEGINS + 2 * HOUR)
    assert [code for _, code in alerts(world)] == ["ended-short-of-need"]
    (warning,) = [action for _, action in world.actions if isinstance(action, Warn)]
    assert "at about 48 %; it needs 60 %" in warning.message


def ask(world: World) -> None:
    world.ask(want_percent=80.0)


def plug_in_again(world: World) -> None:
    world.unplug()
    world.plug_in(47.0)


def change_the_file(world: World) -> None:
    world.handle(HouseChanged("file"))


@pytest.mark.parametrize("happens", [ask, plug_in_again, change_the_file])
def test_what_ends_the_rest_of_a_vehicle_that_ended_by_itself(
    happens: Callable[[World], None],
) -> None:
    """A request, a new file, or the plug put in again: the vehicle is planned for again."""
    world = at_home(NIGHT_BEGINS + HOUR)
    world.draws = 0.0
    world.wait(NIGHT_BEGINS + 2 * HOUR)
    assert ended_by_itself(world)
    world.draws = 1.0
    happens(world)
    assert not ended_by_itself(world)
    world.wait(NIGHT_BEGINS + 3 * HOUR)
    assert world.doing() == ("start", 32.0)


def ended_by_itself(world: World) -> bool:
    return world.state.stopped_itself


def test_a_meter_that_falls_silent_is_an_alert() -> None:
    """After 15 minutes of a charge without a reading; the next reading clears it."""
    world = at_home(NIGHT_BEGINS + HOUR)
    world.wait(NIGHT_BEGINS + 90 * MINUTE, read_every=None)
    ((at, code),) = alerts(world)
    assert code == "no-reading"
    assert at == world.readings[-1].at + 15 * MINUTE
    assert world.doing() == ("start", 32.0), "what can't be seen is no reason to stop"
    world.read()
    assert "no-reading" not in world.state.alerts


@pytest.mark.parametrize(("read_minutes", "repeated_minutes"), [(1, 2), (4, 6)])
def test_a_meter_that_falls_silent_while_nothing_flows_is_an_alert_in_time(
    read_minutes: int, repeated_minutes: int
) -> None:
    """15 minutes after the start was sent again, and not only at the next renewal."""
    world = at_home(NIGHT_BEGINS, draws=0.0)
    world.wait(NIGHT_BEGINS + read_minutes * MINUTE)
    world.wait(NIGHT_BEGINS + 40 * MINUTE, read_every=None)
    silent_at = NIGHT_BEGINS + (repeated_minutes + 15) * MINUTE
    assert alerts(world)[-1] == (silent_at, "no-reading")


def test_hardware_without_a_meter_is_no_alert() -> None:
    """If no reading ever came, nobody is warned that none comes."""
    world = World(kowhai(), EVENING)
    world.plug_in(35.0)
    world.wait(NIGHT_BEGINS + 3 * HOUR, read_every=None)
    assert alerts(world) == []
    assert world.doing() == ("start", 32.0)


def test_a_stop_after_which_power_flows() -> None:
    """It is sent again after 2, 4 and 8 minutes and then every 15, as long as power flows."""
    world = at_home(EVENING + HOUR)
    begun = world.now
    world.stuck_watts = 7360.0
    world.wait(begun + HOUR)
    stops = times_sent(world, "stop", begun)
    # It is seen at the next reading, a minute later at the most.
    assert stops[0] - begun <= C + MINUTE
    assert gaps(stops) == [2 * C, 4 * C, *[LONGEST_WAIT] * (len(stops) - 3)]
    assert alerts(world) == [(stops[1], "power-after-stop")]
    world.stuck_watts = None
    world.wait(begun + HOUR + 5 * MINUTE)
    assert "power-after-stop" not in world.state.alerts
    before = len(times_sent(world, "stop", begun))
    world.wait(begun + 90 * MINUTE)
    assert len(times_sent(world, "stop", begun)) == before


@pytest.mark.parametrize("pilot", ["A", "B"])
def test_a_pilot_that_shows_no_charge_ends_the_power(pilot: str) -> None:
    """A meter that sends no last sample must not charge the battery on (7.36 kW for minutes)."""
    world = at_home(NIGHT_BEGINS + HOUR)
    world.draws = 0.0
    world.report(pilot="C")
    world.wait(world.now + MINUTE, read_every=None)
    before = counted_soc_percent(world.state, world.house.file, world.now)
    world.report(pilot=pilot)
    world.wait(world.now + 5 * MINUTE, read_every=None)
    status = status_of(world.state, world.now, world.house)
    assert (status.charging, status.reading and status.reading.watts) == (
        False, 0.0 if pilot == "B" else None,
    )  # fmt: skip
    if pilot == "B":
        assert counted_soc_percent(world.state, world.house.file, world.now) == before


def test_a_meter_value_after_it_wins_and_alerts() -> None:
    """A contactor that is welded shut is not hidden by a status, however often it is repeated."""
    world = at_home(EVENING + HOUR)
    world.report(pilot="C")
    world.stuck_watts = 7360.0
    begun = world.now
    world.wait(begun + MINUTE)
    world.report(pilot="B")
    assert not status_of(world.state, world.now, world.house).charging
    world.advance(world.now + MINUTE)
    world.read()
    world.report(pilot="B")
    assert status_of(world.state, world.now, world.house).charging
    world.wait(begun + HOUR)
    assert [code for _, code in alerts(world)] == ["power-after-stop"]


def ocpp_house() -> House:
    """Return the plain household, its charge point connected by OCPP."""
    house = household()
    point = house.file.charge_points[POINT]
    ocpp = OcppPoint(identity="driveway-1", password_file=Path("password"))
    points = {POINT: point.model_copy(update={"ocpp": ocpp})}
    return House(house.file.model_copy(update={"charge_points": points}), house.prices)


@pytest.mark.parametrize("pilot", ["B", "D"])
def test_equipment_that_does_not_say_that_it_charges_is_believed_after_a_stop(pilot: str) -> None:
    """Without a sample nothing contradicts it."""
    world = World(ocpp_house(), EVENING)
    world.read()
    world.plug_in(35.0, pilot="C")
    world.wait(EVENING + 10 * MINUTE)
    world.ask(skip_until=EVENING + 10 * HOUR)
    world.report(pilot=pilot)
    begun = world.now
    world.wait(begun + 10 * MINUTE, read_every=None)
    assert alerts(world) == []


def test_equipment_that_says_it_charges_after_a_stop() -> None:
    """Without a sample since the stop, a status of OCPP that shows a charge is believed."""
    world = World(ocpp_house(), EVENING)
    world.read()
    world.plug_in(35.0, pilot="C")
    world.wait(EVENING + 10 * MINUTE)
    world.ask(skip_until=EVENING + 10 * HOUR)
    assert world.doing() == ("stop", None)
    begun = world.now
    world.wait(begun + 10 * MINUTE, read_every=None)
    stops = times_sent(world, "stop", begun)
    assert gaps(stops[:3]) == [C, 2 * C]
    assert alerts(world) == [(begun + 3 * C, "power-after-stop")]
    world.report(pilot="B")
    assert "power-after-stop" not in world.state.alerts


def test_power_after_the_vehicle_left_is_one_alert() -> None:
    """Without a vehicle, too, the stop is repeated, and there is one alert."""
    world = at_home(EVENING + HOUR)
    world.unplug()
    world.stuck_watts = 2000.0
    world.wait(EVENING + 3 * HOUR)
    assert [code for _, code in alerts(world)] == ["power-after-stop"]
    assert len(times_sent(world, "stop", EVENING + HOUR)) > 5


def test_the_time_is_the_files() -> None:
    """A slow vehicle is given the time that the file gives it."""
    world = World(household(point={"confirm_seconds": 600}), EVENING)
    world.draws = 0.0
    world.read()
    world.plug_in(20.0)
    begun = world.now
    world.wait(begun + 31 * MINUTE)
    assert alerts(world) == [(begun + 30 * MINUTE, "no-power-after-start")]


def test_a_register_alone_shows_the_response() -> None:
    """If only a register is reported, power flows if it rises, and none if it does not."""
    for draws, codes in ((1.0, []), (0.0, ["no-power-after-start"])):
        world = World(kowhai(), EVENING, draws=draws)
        world.plug_in(35.0)
        while world.now < NIGHT_BEGINS + HOUR:
            world.receive(Reading(at=world.now, register_kwh=round(world.meter_wh) / 1000))
            world.wait(world.now + 5 * MINUTE, read_every=None)
        assert [code for _, code in alerts(world)] == codes


@pytest.mark.parametrize("pilots", ["B", "CB"])
@pytest.mark.parametrize("minutes", [1, 10])
def test_a_register_alone_is_believed_beside_a_pilot(pilots: str, minutes: int) -> None:
    """Hardware with a register only, and a pilot that shows no charge after a start, charges on.

    After a change from C the start is sent again once: the register must have risen since.
    """
    world = World(household(point={"plugged_in": "18:30-07:30"}), EVENING, is_there=True)
    world.receive(Reading(at=world.now, register_kwh=round(world.meter_wh) / 1000))
    world.ask(charge_now=True, soc_percent=35.0)
    assert world.doing()[0] == "start"
    begun, reports = world.now, list(pilots)
    while world.now < begun + HOUR:
        world.wait(world.now + minutes * MINUTE, read_every=None)
        world.receive(Reading(at=world.now, register_kwh=round(world.meter_wh) / 1000))
        if reports:
            world.report(pilot=reports.pop(0))
    assert alerts(world) == []
    assert world.doing() == ("start", 32.0)
    sent = sorted(set(times_sent(world, "start", begun)))
    assert len([gap for gap in gaps(sent) if gap < 10 * MINUTE]) == pilots.count("C")
    assert world.state.response is not None
    assert world.state.response.flowed


# --- less power than planned --------------------------------------------------------------------


def test_half_the_power_is_planned_with_once_it_is_seen() -> None:
    """A vehicle that draws 16 of 32 A is planned with 16 A, at 32 A offered, and is ready."""
    world = at_home(NIGHT_BEGINS + 5 * MINUTE, soc=20.0, draws=0.5)
    assert world.state.actual_share.planned == pytest.approx(0.5, abs=0.01)
    assert world.state.plan is not None
    hours = sum(((p.end - p.start) / HOUR for p in world.state.plan.periods), 0.0)
    # From 20 to 80 % are 31.2 kWh in the battery and 34.67 kWh at the meter.
    assert hours == pytest.approx(34.67 / 3.68, abs=0.2)
    assert world.doing() == ("start", 32.0)
    world.wait(NIGHT_BEGINS + 10 * HOUR)
    soc = counted_soc_percent(world.state, world.house.file, world.now)
    assert soc == pytest.approx(80.0, abs=0.5)


def test_a_need_at_risk_is_an_early_alert() -> None:
    """If the power that flows is too low, a person is warned in the first minutes."""
    world = World(household(departure={"at": "21:30", "need_percent": 80.0}), EVENING)
    world.draws = 0.4
    world.read()
    world.plug_in(50.0)  # 15 kWh in the battery in 2 h 45 min: 6 kW would do, 2.9 kW will not
    world.wait(EVENING + 10 * MINUTE)
    assert [code for _, code in alerts(world)] == ["need-out-of-reach"]


def test_a_ramp_is_no_news() -> None:
    """Power that rises over a minute or so does not change the plan."""
    world = at_home(NIGHT_BEGINS)
    for share in (0.1, 0.3, 0.6, 1.0):
        world.draws = share
        world.wait(world.now + MINUTE / 2, read_every=MINUTE / 2)
    world.wait(NIGHT_BEGINS + 20 * MINUTE)
    assert world.state.actual_share.planned == 1.0


def test_a_lowered_current_says_nothing_of_the_vehicle() -> None:
    """A vehicle that draws half of 16 A may still draw all of the 32 A that come later."""
    load = [{"amps": 16.0, "hours": ["17:00-22:00"]}]
    house = household(household={"main_fuse_amps": 32.0, "known_load": load})
    world = World(house, EVENING, draws=0.5)
    world.read()
    world.plug_in(20.0)
    world.ask(charge_now=True)
    assert world.doing() == ("start", 16.0)
    world.wait(EVENING + 20 * MINUTE)
    assert world.state.actual_share.planned == 1.0


def test_what_one_vehicle_draws_says_nothing_of_the_next() -> None:
    """After the plug is put in again, full power is assumed."""
    world = at_home(NIGHT_BEGINS + 10 * MINUTE, draws=0.5)
    assert world.state.actual_share.planned < 0.6
    world.unplug()
    world.plug_in(35.0)
    assert world.state.actual_share.planned == 1.0


def test_a_restart_begins_the_wait_again() -> None:
    """After a restart nothing is sent again before the hardware had time to follow."""
    world = at_home(NIGHT_BEGINS + HOUR)
    assert world.state.response is not None
    assert world.state.response.flowed
    world.handle(TimePassed())
    assert world.state.response.repeats == 0
