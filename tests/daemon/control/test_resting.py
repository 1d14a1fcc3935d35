"""Whatever is asked for and reported, a contactor is spared: it rests after every run."""

from __future__ import annotations

from datetime import timedelta
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import pytest

from daemon.control.events import TimePassed
from daemon.messaging.answering import answer_of
from daemon.messaging.status import status_of
from tests.daemon.worlds import EVENING, HOUR, MINUTE, World, household

if TYPE_CHECKING:
    from collections.abc import Callable

    from adapters.ledger.ledger import Ledger
    from daemon.control.state import House

SECONDS = timedelta(seconds=1)
RUN, REST = 15, 5
RESTS = {"min_run_minutes": RUN, "min_rest_minutes": REST}


def rested(**point: object) -> House:
    return household(point={**RESTS, **point})


def charging(house: House, ledger: Ledger | None = None) -> World:
    """Start to charge at once, in the evening: the rate is the same at all times."""
    world = World(house, EVENING, ledger)
    world.plug_in(20.0)
    world.read()
    assert world.doing()[0] == "start"
    return world


def hold_rests(world: World, run: int = RUN, rest: int = REST) -> None:
    """Hold what the file declares for all starts and stops of a world."""
    switches = world.switches()
    starts = [at for at, do in switches if do == "start"]
    assert all(later - start >= (run + rest) * MINUTE for start, later in pairwise(starts))
    for (stopped, do), (started, _) in pairwise(switches):
        assert do == "start" or started - stopped >= rest * MINUTE


@pytest.mark.parametrize("stop", ["stop", "skip_until"])
def test_alternating_requests_switch_no_more_often_than_the_file_allows(stop: str) -> None:
    """In 84 minutes 120 requests switch at most once on and off in each run and rest."""
    world = charging(rested())
    for i in range(120):
        world.wait(EVENING + (i + 1) * 42 * SECONDS)
        if i % 2:
            world.ask(clear=True, charge_now=True)
            continue
        world.ask(**{stop: True if stop == "stop" else world.now + 15 * HOUR})
        assert world.doing()[0] == "stop", "a stop is at once"
    hold_rests(world)
    switchings = [do for _, do in world.switches()]
    assert len(switchings) <= 2 * (1 + 84 // (RUN + REST))
    assert switchings.count("start") > 3, "it does charge in between"


def flap_plug(world: World, *, there: bool) -> None:
    if there:
        world.plug_in(20.0, pilot="C")
    else:
        world.unplug()


def flap_fault(world: World, *, there: bool) -> None:
    world.report(pilot="C" if there else "F")


@pytest.mark.parametrize("flap", [flap_plug, flap_fault])
@pytest.mark.parametrize(
    ("house", "run", "rest"),
    [
        (rested(), RUN, REST),
        (household(point={"max_amps": 10.0, "switching": "on_off"}), 0, 5),
    ],
)
def test_a_bad_pilot_or_plug_switches_no_more_often(
    flap: Callable[..., None], house: House, run: int, rest: int
) -> None:
    """Also a plug or relay without these keys: it rests five minutes."""
    world = charging(house)
    for i in range(60):
        world.wait(EVENING + (i + 1) * 50 * SECONDS)
        flap(world, there=bool(i % 2))
        if i % 2 == 0:
            assert world.doing()[0] == "stop"
    hold_rests(world, run, rest)
    starts = sum(do == "start" for _, do in world.switches())
    assert 2 <= starts <= 1 + 50 // (run + rest)


def test_a_vehicle_that_pauses_switches_nothing() -> None:
    """Pilot states B and C in turn say that the vehicle pauses; the start stays in force."""
    world = charging(rested())
    world.wait(world.now + 5 * MINUTE)
    before = world.switches()
    for i in range(60):
        world.report(pilot="BC"[i % 2])
        world.advance(world.now + 2 * SECONDS)
        world.handle(TimePassed())
    assert world.switches() == before


def test_another_current_is_no_switching() -> None:
    """It follows at once, without a rest."""
    load = {"amps": 30.0, "hours": ["18:40-18:50"]}
    world = charging(
        household(household={"main_fuse_amps": 40.0, "known_load": [load]}, point=RESTS)
    )
    amps = [world.doing()[1]]
    for minute in (11, 21):
        world.wait(EVENING + minute * MINUTE)
        amps.append(world.doing()[1])
    assert amps == [32.0, 10.0, 32.0]
    assert [do for _, do in world.switches()] == ["start"]


def stopped_early(ledger: Ledger | None = None) -> World:
    """Stop a run after three minutes, one minute ago."""
    world = charging(rested(), ledger)
    world.wait(EVENING + 3 * MINUTE)
    world.ask(stop=True)
    assert world.doing()[0] == "stop"
    world.wait(EVENING + 4 * MINUTE)
    return world


@pytest.mark.parametrize("wish", [{}, {"charge_now": True}])
def test_it_says_until_when_it_rests(wish: dict[str, Any]) -> None:
    """In the answer, the status and the command; the plan begins no sooner."""
    world, until = stopped_early(), EVENING + (RUN + REST) * MINUTE
    world.ask(clear=True, **wish)
    assert world.doing()[0] == "stop"
    clock = f"{until.astimezone(world.house.file.zone):%H:%M}"
    says = f"the charge point rests until {clock}"
    assert world.state.command is not None
    assert says in world.state.command.why
    assert says in answer_of(world.state, world.now, world.house)
    assert says in str(status_of(world.state, world.now, world.house).why)
    assert world.state.plan is not None
    assert world.state.plan.periods[0].start == until
    world.wait(until - SECONDS)
    assert world.doing()[0] == "stop"
    world.wait(until)
    assert world.doing() == ("start", 32.0)


def test_a_restart_forgets_no_rest(ledger: Any) -> None:  # noqa: ANN401 - a fixture
    """The ledger holds the last start and the last stop."""
    again, until = stopped_early(ledger).restarted(), EVENING + (RUN + REST) * MINUTE
    again.ask(clear=True, charge_now=True)
    again.wait(until - SECONDS)
    assert again.doing()[0] == "stop"
    again.wait(until)
    assert again.doing()[0] == "start"


def test_hardware_that_stopped_by_itself_rests() -> None:
    """While the daemon was away the start expired; it is not started again at once."""
    world = charging(rested(min_rest_minutes=30))
    command = world.state.command
    assert command is not None
    world.advance(command.valid_until + 10 * MINUTE)
    world.handle(TimePassed())
    assert world.doing()[0] == "stop"
    world.wait(command.valid_until + 30 * MINUTE - SECONDS)
    assert world.doing()[0] == "stop"
    world.wait(command.valid_until + 30 * MINUTE)
    assert world.doing()[0] == "start"


def test_a_step_that_is_a_little_late_ends_no_run() -> None:
    """The start expires in the moment in which it is renewed."""
    world = charging(rested(min_rest_minutes=30))
    command = world.state.command
    assert command is not None
    world.advance(command.valid_until + 30 * SECONDS)
    world.handle(TimePassed())
    assert world.doing()[0] == "start"


def test_a_clock_that_is_put_back_keeps_nothing_off_for_long() -> None:
    """What was switched in a wrong future counts as switched now."""
    world = stopped_early()
    world.now -= timedelta(days=2)
    world.ask(clear=True, charge_now=True)
    world.wait(world.now + (RUN + REST) * MINUTE, read_every=None)
    assert world.doing()[0] == "start"


def test_a_run_that_the_rest_of_the_home_cuts_short_rests_as_long() -> None:
    """The plan is made again in the same step: none that begins sooner is ever in force."""
    load = {"amps": 40.0, "hours": ["18:35-18:42"]}
    house = household(household={"main_fuse_amps": 40.0, "known_load": [load]}, point=RESTS)
    world = World(house, EVENING)
    world.plug_in(20.0)
    world.ask(charge_now=True)
    world.wait(EVENING + 4 * MINUTE)
    assert world.doing()[0] == "start"
    world.wait(EVENING + 5 * MINUTE)
    assert world.doing()[0] == "stop"
    until = EVENING + (RUN + REST) * MINUTE
    assert world.state.plan is not None
    assert min(each.start for each in world.state.plan.periods if each.end > world.now) == until
    world.wait(until)
    assert world.doing()[0] == "start"
