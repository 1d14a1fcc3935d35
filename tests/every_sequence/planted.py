"""Faults planted in the controller, each of which the search must find.

A fault replaces one function of the controller by a subtly wrong one, as a slip in a change would.
"""

# mypy: disable-error-code="no-untyped-def"
# ruff: noqa: ANN001, ANN002, ANN003, ANN201 - a wrong function takes what the right one takes

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from functools import partial
from typing import TYPE_CHECKING, Any, Final, NamedTuple
from unittest.mock import patch

from daemon.control import confirming, controller, learning
from daemon.control.state import Wishes, is_charging
from daemon.service import fuse, recovery
from daemon.sharing import claims
from tests.every_sequence.homes import HAPPENINGS as AT_HOME
from tests.every_sequence.homes import HOME_RULES, home_at
from tests.every_sequence.moving import POINT_RULES, REACHING_RULES
from tests.every_sequence.search import Wrong, search
from tests.every_sequence.starts import THEMES, world_at

if TYPE_CHECKING:
    from collections.abc import Callable


HOME: Final = "home"
DEEPEST: Final = 8


class Planted(NamedTuple):
    """A fault: what it replaces and by what, and the search that looks for it."""

    module: Any
    function: str
    wrong: Callable[..., Any]
    start: str
    theme: str


FAULTS: Final[dict[str, Planted]] = {}


def counterexample(name: str, *, seconds: float = float("inf")) -> Wrong | None:
    """Plant a fault and search for the shortest sequence that shows it; None if none is found."""
    module, function, wrong, start, theme = FAULTS[name]
    right = getattr(module, function)
    home = home_at(start) if theme == HOME else None
    with patch.object(module, function, _bound(wrong, right, module)):
        if home is not None:
            return search(home, tuple(AT_HOME), DEEPEST, HOME_RULES, seconds=seconds).wrong
        world = world_at(start)
        rules = REACHING_RULES if theme in REACHED else POINT_RULES
        return search(world, THEMES[theme], DEEPEST, rules, seconds=seconds).wrong


def _bound(wrong: Callable[..., Any], right: Callable[..., Any], owner: object) -> object:
    """Bind the right function to a wrong one that takes its place."""
    if not isinstance(owner, type):
        return partial(wrong, right)

    def method(self: Any, *args: Any, **kwargs: Any) -> Any:  # noqa: ANN401 - as the right one
        return wrong(right, self, *args, **kwargs)

    return method


REACHED: Final = ("asleep", "charge ended")
"""What may happen before a need is missed."""


def _planted(
    module: object, function: str, start: str, theme: str
) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """Note a wrong function; it gets the right one and then the arguments."""

    def note(wrong: Callable[..., Any]) -> Callable[..., Any]:
        name = wrong.__name__.replace("_", " ")
        FAULTS[name] = Planted(module, function, wrong, start, theme)
        return wrong

    return note


# --- what breaks an invariant at once -------------------------------------------------------------


@_planted(controller, "_obstacle", "charging", "vehicle")
def an_error_of_the_charge_point_is_overlooked(right, state):
    return right(replace(state, pilot="B" if state.pilot == "F" else state.pilot))


@_planted(controller, "_is_right", "charging", "bus")
def a_command_is_renewed_only_as_it_expires(right, command, wanted, now, holds):
    return right(command, wanted, now, holds) or (
        now < command.valid_until < wanted.valid_until
        and (command.do, command.amps, command.why) == (wanted.do, wanted.amps, wanted.why)
    )


@_planted(controller, "_holds", "connected", "person")
def a_start_lasts_for_an_hour(right, *args):
    return max(right(*args), timedelta(hours=1))


@_planted(controller, "_end_of_run", "charging", "charges long")
def a_start_outlives_its_period(_right, plan, _period):
    return plan.departure


@_planted(controller, "_below_fuse", "charging", "house")
def the_load_of_the_home_is_forgotten(_right, _state, command, _now, _house):
    return command, None


@_planted(controller, "rests_until", "rests", "person")
def a_run_cut_short_has_a_short_rest(_right, state, file, now):
    off_at = state.switches.off_at
    if is_charging(state) or off_at is None:
        return None
    rest = timedelta(minutes=file.charge_points[state.charge_point].rest_minutes)
    return off_at + rest if off_at + rest > now else None


@_planted(learning, "_switched_until", "rests", "bus")
def an_expired_start_counts_as_going_on(_right, state, _now, _house):
    return state


@_planted(confirming, "_due", "connected", "vehicle")
def a_stop_is_never_repeated(right, state, response, house):
    return None if state.command.do == "stop" else right(state, response, house)


@_planted(confirming, "_warn", "connected", "defied")
def nobody_is_warned_of_power_after_a_stop(right, state, command, house):
    return (state, ()) if command.do == "stop" else right(state, command, house)


@_planted(controller, "_command", "connected", "bus")
def nothing_is_sent_again_when_the_broker_is_back(right, *args, reassert, repeat):
    del reassert
    return right(*args, reassert=False, repeat=repeat)


@_planted(learning, "set_presence", "asked", "person")
def a_wish_to_charge_now_stays_for_the_next_vehicle(right, state, now, house, *, there):
    after, actions = right(state, now, house, there=there)
    wishes = replace(after.wishes, charge_now=state.wishes.charge_now)
    return replace(after, wishes=wishes), actions


@_planted(controller, "_next", "charging", "vehicle")
def a_stop_takes_the_serial_of_the_start(right, state, do, why, **rest):
    command = right(state, do, why, **rest)
    return replace(command, serial=state.serial) if do == "stop" else command


@_planted(controller, "charges_now", "connected", "vehicle and wish")
def a_wish_to_charge_now_knows_no_target(_right, state, _file, _now):
    return state.wishes.charge_now


@_planted(controller, "_go_on", "early", "leaves late")
def a_vehicle_that_leaves_late_charges_on_and_on(right, state, departure, now, house):
    return replace(right(state, departure, now, house), valid_until=controller.NO_END)


@_planted(controller, "amps_allowed", "asked", "vehicle")
def equipment_that_takes_too_much_is_started_again(right, *args, excess=None, allotted=()):
    del excess
    return right(*args, excess=None, allotted=allotted)


@_planted(recovery, "_with_command", "asked", "bus")
def a_restart_forgets_what_a_person_asked_for(right, state, *rest):
    return right(replace(state, wishes=Wishes()), *rest)


@_planted(controller, "next_wake", "connected", "bus")
def it_sleeps_past_the_end_of_its_command(right, state, now, house):
    end = state.command.valid_until if state.command is not None else now
    return max(right(state, now, house), end + timedelta(minutes=1))


# --- what misses a need in the end --------------------------------------------------------------


@_planted(learning, "_set_soc", "connected", "asleep")
def another_state_of_charge_is_not_planned_with(right, state, *rest):
    return replace(right(state, *rest), plan_stale=state.plan_stale)


@_planted(learning, "set_presence", "charging", "charge ended")
def a_vehicle_that_ended_its_charge_has_ended_it_for_ever(right, state, now, house, *, there):
    after, actions = right(state, now, house, there=there)
    return replace(after, stopped_itself=state.stopped_itself), actions


# --- two charge points under one fuse -------------------------------------------------------------


@_planted(claims, "_is_lower", "both", HOME)
def a_lower_command_is_taken_to_arrive(_right, *_args):
    return False


@_planted(claims, "_gave_way", "both", HOME)
def any_reading_shows_that_it_gave_way(_right, *_args):
    return True


@_planted(fuse, "claims_beside", "one", HOME)
def what_the_other_draws_is_forgotten(_right, *_args):
    return {}


@_planted(controller, "_holds", "one", HOME)
def more_than_the_fixed_part_lasts_for_half_an_hour(_right, _state, command, _now, _house):
    return controller.STOP_HOLDS if command.amps is None else controller.START_HOLDS


@_planted(fuse.FuseKeeper, "_not_given_way_beside", "both", HOME)
def nobody_gives_way_to_one_that_is_back(_right, *_args):
    return frozenset()


@_planted(fuse.FuseKeeper, "begin", "both", HOME)
def a_restart_forgets_what_may_still_flow(right, keeper, state, _earlier, now):
    return right(keeper, state, (), now)
