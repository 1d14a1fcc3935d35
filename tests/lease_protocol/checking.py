"""Try every order of a few steps of the model, and find the shortest that breaks a promise."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from tests.lease_protocol.protocol import LEASE, Rules, World

if TYPE_CHECKING:
    from collections.abc import Iterator


class Checked(NamedTuple):
    """How many worlds there are, what is wrong, and the shortest way there."""

    worlds: int
    wrong: str | None = None
    path: tuple[str, ...] = ()


CHARGING = ("first starts", "first wants start", "arrives")
"""What has happened before: a start is in force, and on its way."""


def check(rules: Rules, depth: int, begun: tuple[str, ...] = CHARGING) -> Checked:
    """Try all sequences of so many steps.

    Parameters
    ----------
    rules : Rules
        How both sides work.
    depth : int
        The longest sequence.
    begun : tuple of str
        What has happened before, unchecked.

    Returns
    -------
    Checked
        It ends at the first sequence that breaks something.
    """
    start = World()
    for name in begun:
        start = dict(rules.steps(start))[name]
    before: dict[World, tuple[World, str] | None] = {start: None}
    frontier = [start]
    for _ in range(depth):
        following = []
        for world in frontier:
            for name, after in rules.steps(world):
                wrong = next(wrong_with(rules, world, name, after), None)
                if wrong is not None:
                    return Checked(len(before), wrong, (*_path(before, world), name))
                if after not in before:
                    before[after] = (world, name)
                    following.append(after)
        frontier = following
    return Checked(len(before))


def wrong_with(rules: Rules, before: World, name: str, after: World) -> Iterator[str]:
    """Yield the promises that a step breaks."""
    command, is_on = after.plug.command, rules.is_on(after.plug, after.now)
    if is_on and (command is None or after.now - command.sent_at >= LEASE):
        yield "it charges although nobody has said so for as long as a start lasts"
    last = before.plug.command
    was_stopped = last is not None and last.do == "stop" and name != "boots"
    stopped_by = last.serial if last is not None and was_stopped else 0
    if is_on and command is not None and command.serial < stopped_by:
        yield "a start from before the stop begins again"
    daemon = after.second if after.second.is_up else after.first
    recorded = daemon.recorded
    if daemon.is_up and recorded is not None and after.retained is not None:
        is_meant = recorded.do == "start" and after.now < recorded.until
        told = rules.told(after)
        is_last = told.plug.serial <= recorded.serial  # of all daemons
        if is_last and rules.is_on(told.plug, told.now) != is_meant:
            yield "a plug that connects does not do what was commanded last"
    rest = rules.settled(after)
    daemon = rest.second if rest.second.is_up else rest.first
    if rules.is_on(rest.plug, rest.now) != (daemon.wants == "start"):
        yield "it does not come to do what the daemon wants"


def _path(before: dict[World, tuple[World, str] | None], world: World) -> tuple[str, ...]:
    names: list[str] = []
    step = before[world]
    while step is not None:
        world, name = step
        names.append(name)
        step = before[world]
    return tuple(reversed(names))
