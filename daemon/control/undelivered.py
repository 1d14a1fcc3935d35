"""Check whether messages are delivered: the broker may refuse them, or nobody may listen. Pure.

Only MQTT 5 tells. If nobody subscribes to the commands, no hardware is there; a subscriber proves
little, because a dashboard is one too.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from daemon.control.alerts import (
    BROKER_REFUSES,
    NOBODY_LISTENS,
    ClearedBy,
    clear_alerts,
    raise_alert,
)
from daemon.control.events import Delivered, MeterRead, VehicleReported

if TYPE_CHECKING:
    from collections.abc import Sequence

    from adapters.bus.events import Published
    from adapters.contract.topics import Topics
    from daemon.control.events import Action, Event
    from daemon.control.state import PointState


def delivered(published: Published, topics: Topics, points: Sequence[str]) -> tuple[str, Delivered]:
    """Find the charge point of a topic: the first one for topics of the whole household."""
    own = (point for point in points if published.topic.startswith(f"{topics.of(point)}/"))
    point = next(own, points[0])
    is_command = published.topic == topics.command(point)
    return point, Delivered(published.topic, published.outcome, is_command, published.why)


def check_delivery(state: PointState, event: Delivered) -> tuple[PointState, tuple[Action, ...]]:
    """Raise an alert if messages are not delivered; clear it when they are again.

    Parameters
    ----------
    state : PointState
        What was known.
    event : Delivered
        The fate of messages on one topic.

    Returns
    -------
    state : PointState
        With the alert or without.
    actions : tuple of Action
        The warning, if the alert is new.
    """
    if event.outcome == "refused":
        state = replace(state, refused=state.refused | {event.topic})
        return raise_alert(state, BROKER_REFUSES, topic=event.topic, reason=event.why)
    state = replace(state, refused=state.refused - {event.topic})
    if not state.refused:
        state = clear_alerts(state, ClearedBy.ALL_ACCEPTED)
    if not event.is_command:
        return state, ()
    if event.outcome == "accepted":
        return clear_alerts(state, ClearedBy.SUBSCRIBER), ()
    return raise_alert(state, NOBODY_LISTENS, charge_point=state.charge_point, topic=event.topic)


def may_be_listening_again(state: PointState, event: Event) -> bool:
    """Whether hardware sends something although nobody listened before: it may listen now."""
    return NOBODY_LISTENS in state.alerts and isinstance(event, MeterRead | VehicleReported)
