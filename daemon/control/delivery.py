"""What becomes of what is published: refused by the broker, or heard by nobody. Pure.

Only MQTT 5 tells. That a command is heard by nobody says that no hardware is there; that somebody
hears it says little, for a dashboard is somebody too.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from daemon.control.alerts import BROKER_REFUSES, NOBODY_LISTENS, warn_once
from daemon.control.events import Delivered, MeterRead, VehicleReported

if TYPE_CHECKING:
    from collections.abc import Sequence

    from adapters.bus.events import Published
    from adapters.contract.topics import Topics
    from daemon.control.events import Action, Event
    from daemon.control.state import PointState


def delivered(told: Published, topics: Topics, points: Sequence[str]) -> tuple[str, Delivered]:
    """Find the charge point that a topic belongs to; the first one for the household's own."""
    own = (point for point in points if told.topic.startswith(f"{topics.of(point)}/"))
    point = next(own, points[0])
    is_command = told.topic == topics.command(point)
    return point, Delivered(told.topic, told.outcome, is_command, told.why)


def mind_delivery(state: PointState, told: Delivered) -> tuple[PointState, tuple[Action, ...]]:
    """Raise an alert for what does not arrive, and take it back when it does again.

    Parameters
    ----------
    state : PointState
        What was known.
    told : Delivered
        What became of messages on one topic.

    Returns
    -------
    state : PointState
        With the alert among what is said, or without.
    actions : tuple of Action
        What to say.
    """
    if told.outcome == "refused":
        state = replace(state, refused=state.refused | {told.topic})
        message = f"The broker refuses what is published on {told.topic}: {told.why}."
        return warn_once(state, BROKER_REFUSES, message)
    refused = state.refused - {told.topic}
    said = state.said if refused else state.said - {BROKER_REFUSES}
    state = replace(state, refused=refused, said=said)
    if not told.is_command:
        return state, ()
    if told.outcome == "accepted":
        return replace(state, said=state.said - {NOBODY_LISTENS}), ()
    message = (
        f"Nothing listens to the commands for {state.charge_point} (topic {told.topic}): whatever"
        " switches the charging is not connected, or waits on another topic."
    )
    return warn_once(state, NOBODY_LISTENS, message)


def may_be_heard_now(state: PointState, event: Event) -> bool:
    """Whether hardware speaks to which nobody listened: it may hear the command by now."""
    return NOBODY_LISTENS in state.said and isinstance(event, MeterRead | VehicleReported)
