"""Connect the daemon to its broker three times: to send, to hear hardware, and to hear requests.

Each has its own thread and its own queue at the broker, so a flood of readings delays neither a
person's request, nor a limit of the grid operator, nor a command. The sending connection hears
nothing but acknowledgements: behind a flood they would come too late, and commands and answers wait
for them.
"""

from __future__ import annotations

from contextlib import ExitStack
from functools import partial
from threading import Lock, Timer
from typing import TYPE_CHECKING, Final

import structlog

from adapters.bus.bus import MqttBus
from adapters.bus.credentials import client_id_of
from adapters.bus.events import Connected, Disconnected, MessageArrived
from adapters.contract.messages import DaemonState, encode

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from adapters.bus.events import BusEvent
    from adapters.contract.topics import Topics
    from config.household.household_file import Bus

MOST_READINGS_A_SECOND: Final = 500.0
"""As fast as the loop handles them on a fast computer, and far more than hardware sends."""

OTHERS_COME_SECONDS: Final = 5.0
"""How long the daemon's own connection waits for the other two before it says "online"."""

_log = structlog.get_logger(__name__)


class BrokerConnections:
    """The daemon's connections to the broker; they act as one.

    `Connected` is passed on once all three are up, or some seconds after the daemon's own: hardware
    that reports as soon as it hears "online" must be heard. It is passed on again when another one
    comes back, since messages may have been lost meanwhile.

    Parameters
    ----------
    bus : Bus
        The household's bus.
    topics : Topics
        Its topics.
    wired : sequence of str
        Topics of wired hardware.
    post : callable
        Called with each event, from several threads.
    urgent : sequence of str, optional
        Other topics of wired hardware, that must not wait for these.
    is_urgent : callable
        Whether to reconnect within 5 seconds.
    most_readings_a_second : float, optional
        At most so many messages of hardware are read a second; None for any number.
    """

    def __init__(
        self,
        bus: Bus,
        topics: Topics,
        wired: Sequence[str],
        post: Callable[[BusEvent], None],
        is_urgent: Callable[[], bool],
        *,
        urgent: Sequence[str] = (),
        most_readings_a_second: float | None = MOST_READINGS_A_SECOND,
    ) -> None:
        self._post = post
        self._lock = Lock()
        self._up: set[str] = set()
        self._own: Connected | None = None
        self._timer: Timer | None = None
        client_id = client_id_of(bus, topics.client_id)
        household = topics.household_subscriptions()
        hardware = (*topics.hardware_subscriptions(), *household, *wired)
        requests = (*topics.request_subscriptions(), *urgent)
        self._main = MqttBus(
            bus,
            client_id=client_id,
            on_event=self._on_own_event,
            will=(topics.daemon, encode(DaemonState(state="offline"))),
            former_subscriptions=(*hardware, *requests),
            read_before_reconnecting=topics.daemon,
            is_urgent=is_urgent,
        )
        self.others = {
            name: MqttBus(
                bus,
                client_id=f"{client_id}-{name}",
                on_event=partial(self._on_other_event, name),
                subscriptions=filters,
                is_urgent=is_urgent,
                most_a_second=most_a_second,
            )
            for name, filters, most_a_second in (
                ("hardware", hardware, most_readings_a_second),
                ("requests", requests, None),
            )
        }

    def start(self) -> None:
        """Start connecting; returns at once."""
        for other in self.others.values():
            other.start()
        self._main.start()

    def stop(self) -> None:
        """Disconnect once published messages are acknowledged, or after 5 seconds."""
        with ExitStack() as ending:
            for other in self.others.values():
                ending.callback(other.stop)
            self._main.stop()
            self._forget_own()

    def publish(self, topic: str, payload: bytes, *, retain: bool, qos: int = 1) -> bool:
        """Hand a message to the broker, as `MqttBus.publish` does."""
        return self._main.publish(topic, payload, retain=retain, qos=qos)

    def wait_acknowledged(self, timeout: float) -> bool:
        """Wait until the broker has acknowledged all messages, as the bus does."""
        return self._main.wait_acknowledged(timeout)

    def _on_own_event(self, event: BusEvent) -> None:
        match event:
            case Connected():
                with self._lock:
                    self._own = event
                    is_complete = len(self._up) == len(self.others)
                    if not is_complete:
                        self._timer = Timer(OTHERS_COME_SECONDS, self._no_longer_wait, [event])
                        self._timer.daemon = True
                        self._timer.start()
                if is_complete:
                    self._post(event)
            case Disconnected():
                self._forget_own()
                self._post(event)
            case _:
                self._post(event)

    def _on_other_event(self, name: str, event: BusEvent) -> None:
        match event:
            case MessageArrived():
                self._post(event)
            case Connected():
                with self._lock:
                    self._up.add(name)
                    own = self._own if len(self._up) == len(self.others) else None
                    if own is not None:
                        self._cancel_timer()
                if own is not None:
                    self._post(own)
            case Disconnected(reason):
                with self._lock:
                    was_up = name in self._up
                    self._up.discard(name)
                    is_own_up = self._own is not None
                if was_up or is_own_up:
                    _log.warning("the connection is lost, trying again", of=name, reason=reason)
            case _:
                pass

    def _no_longer_wait(self, own: Connected) -> None:
        with self._lock:
            is_still_waited_for = self._own is own and self._timer is not None
            self._timer = None
        if is_still_waited_for:
            self._post(own)

    def _forget_own(self) -> None:
        with self._lock:
            self._own = None
            self._cancel_timer()

    def _cancel_timer(self) -> None:
        """Make sure that a waiting `Connected` is not passed on twice; the lock must be held."""
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
