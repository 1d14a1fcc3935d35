"""Send commands to hardware that does not use the daemon's own messages.

A channel sends commands to one charge point. What the charge point reports goes into the daemon's
queue like every other message. The controller does not know about channels.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from typing import Final, Protocol

import structlog

from adapters.bus.bus import BusEvent, Connected, Disconnected, MqttBus
from adapters.contract.current_period import CurrentPeriod
from adapters.contract.messages import Command
from adapters.contract.topics import matches
from adapters.wired.command_messages import (
    OutgoingMessage,
    command_messages,
    shown_payload,
    stop_message,
)
from adapters.wired.values import read_acknowledgement
from config.household.household_file import Bus
from config.household.wiring import WiringOutputs

_log = structlog.get_logger(__name__)

MOST_TRIES: Final = 3
"""A message that is not acknowledged, or a change that has no effect, is tried so often."""

FEWEST_BETWEEN: Final = timedelta(seconds=5)
"""Hardware that comes back again and again gets its command no more often."""


class HardwareChannel(Protocol):
    """Sends commands to one charge point."""

    @property
    def stores_plan(self) -> bool:
        """Whether the hardware stores the plan, so that a new plan must be sent at once."""

    def send(self, command: Command, periods: Sequence[CurrentPeriod], now: datetime) -> None:
        """Send the command in force and the plan; sending the same again does no harm."""

    def next_repeat(self) -> datetime | None:
        """Return when to send the command again, in case the hardware has forgotten it."""


class Sender(Protocol):
    """The publishing part of the bus."""

    def publish(self, topic: str, payload: bytes, *, retain: bool, qos: int = 1) -> bool:
        """Hand a message to the broker; False, and nothing sent, while there is none."""
        ...


class WiredChannel:
    """Sends commands to hardware in its own topics and payloads.

    Messages that the hardware acknowledges go out one by one: each waits for the acknowledgement of
    the one before it, and is sent again if that does not come in time, `MOST_TRIES` times in all.
    A message that only changes over goes out only if the state that the hardware reports is not the
    wanted one, and not again before a newer report shows that it had no effect.

    Parameters
    ----------
    outputs
        The charge point's wiring.
    sender
        The bus.
    watts_per_amp
        Power of each ampere [W]: phases times volts.
    phases
        How many phases that is, for hardware that is told fewer.
    may_start
        Whether a start may be sent now; one that may not is kept back until it is sent again.

    Attributes
    ----------
    trouble : str or None
        Why the hardware does not do what it is told, in words; None if it answers.
    was_acknowledged : bool or None
        What the last message said of a command; None if it was no acknowledgement.
    """

    stores_plan = False

    def __init__(
        self,
        outputs: WiringOutputs,
        sender: Sender,
        *,
        watts_per_amp: float,
        phases: int = 1,
        may_start: Callable[[], bool] = lambda: True,
    ) -> None:
        self.trouble: str | None = None
        self.was_acknowledged: bool | None = None
        self._outputs = outputs
        self._sender = sender
        self._watts_per_amp = watts_per_amp
        self._phases = phases
        self._may_start = may_start
        self._answer_within = timedelta(seconds=outputs.answer_seconds)
        self._sent_at: datetime | None = None
        self._again_at: datetime | None = None
        self._command: Command | None = None
        # What waits for an acknowledgement, or a state: the message's place, tries, and until when.
        self._step = 0
        self._tries = 0
        self._due: datetime | None = None
        # Hardware that only changes over: whether it is on, by its last report and a change since;
        # when that change was sent, until a report confirms it; and a report that contradicts it.
        self._is_on: bool | None = None
        self._changed_at: datetime | None = None
        self._contradicted_by: bool | None = None

    def send(
        self,
        command: Command,
        periods: Sequence[CurrentPeriod],  # noqa: ARG002 - a plug stores no plan
        now: datetime,
    ) -> None:
        """Send the command in force, as the wiring writes it."""
        self._command = command
        self._sent_at, self._again_at = now, None
        self._step, self._tries, self._due = 0, 0, None
        if self._is_kept_back(now):
            return
        if self._outputs.only_changes_over:
            self._send_current(command, now)
            self._due = now + self._answer_within
            self._change_over(now)
        elif self._outputs.acknowledgement is None:
            for message in self._messages(now):
                self._publish(message)
        else:
            self._try(now)

    def hear(self, topic: str, payload: bytes, now: datetime, *, retain: bool) -> None:
        """Take up an acknowledgement; nothing for a message on another topic.

        Parameters
        ----------
        topic, payload
            What the bus carried.
        now
            When it arrived.
        retain
            Whether the broker had stored it; then it acknowledges nothing.

        Raises
        ------
        MalformedMessage
            If it does not match the household file.
        """  # noqa: DOC502 - raised by read_acknowledgement
        self.was_acknowledged = None
        source = self._outputs.acknowledgement
        if source is None or retain or not matches(source.topic, topic):
            return
        is_good, serial = read_acknowledgement(source, payload)
        self.was_acknowledged = is_good
        command = self._command
        if command is None or self._due is None or serial not in {None, command.serial}:
            return  # late: of a message that nobody waits for any more
        if not is_good:
            self.trouble = f"it refuses {self._last_words(now)}"
            return  # it is sent again once the wait is over
        self.trouble = None
        self._step, self._tries, self._due = self._step + 1, 0, None
        if self._step < len(self._messages(now)):
            self._try(now)

    def take_state(self, now: datetime, *, is_on: bool) -> None:
        """Take up whether the hardware reports that it is switched on."""
        changed_at = self._changed_at
        if (
            changed_at is not None
            and is_on != self._is_on
            and now - changed_at < self._answer_within
        ):
            self._contradicted_by = is_on  # perhaps of a moment before the change
            return
        self._is_on, self._changed_at, self._contradicted_by = is_on, None, None
        if self._due is not None or self.trouble is not None:
            self._change_over(now)

    def forget_state(self) -> None:
        """Forget the reported state: the hardware is gone, and may come back otherwise."""
        self._is_on = self._changed_at = self._contradicted_by = None

    def send_again(self, now: datetime) -> None:
        """Send the last command again, because the hardware has come back."""
        if self._command is None:
            return
        last = self._sent_at
        if last is not None and timedelta(0) <= now - last < FEWEST_BETWEEN:
            self._again_at = last + FEWEST_BETWEEN
        else:
            self.send(self._command, (), now)

    def advance(self, now: datetime) -> None:
        """Do what is due: send again what was not answered."""
        if self._again_at is not None and self._again_at <= now and self._command is not None:
            self.send(self._command, (), now)
        if self._due is None or self._due > now:
            return
        if self._outputs.only_changes_over:
            self._end_waiting(now)
        elif self._tries < MOST_TRIES:
            self._try(now)
        else:
            self._due = None
            refused = self.trouble and self.trouble.startswith("it refuses")
            words = f"{self._last_words(now)}, which was sent {MOST_TRIES} times"
            self.trouble = f"it {'refuses' if refused else 'does not acknowledge'} {words}"

    def next_due(self) -> datetime | None:
        """Return when `advance` has something to do."""
        dues = [each for each in (self._due, self._again_at) if each is not None]
        return min(dues, default=None)

    @property
    def only_changes_over(self) -> bool:
        """Whether its messages only change over."""
        return self._outputs.only_changes_over

    @property
    def needs_a_stop(self) -> bool:
        """Whether only a stop ends a charge, because a start carries no time limit."""
        return self._outputs.stop_as_will or not self._outputs.is_start_limited

    def send_stop(self) -> None:
        """Send a stop, because the daemon ends and can't send one later."""
        if not self._outputs.only_changes_over or self._is_on:
            self._publish(stop_message(self._outputs))

    def next_repeat(self) -> datetime | None:
        """Return when to send the command again; None if the wiring asks for no repeats."""
        seconds = self._outputs.repeat_after_seconds
        if seconds is None or self._sent_at is None:
            return None
        return self._sent_at + timedelta(seconds=seconds)

    # --- acknowledged messages ----------------------------------------------------------------

    def _messages(self, now: datetime) -> list[OutgoingMessage]:
        if self._command is None:
            return []
        return command_messages(
            self._outputs, self._command, now, self._watts_per_amp, phases=self._phases
        )

    def _is_kept_back(self, now: datetime) -> bool:
        """Whether nothing may be sent now, as it would start what nothing would end."""
        return self._wants_on(now) and not self._may_start()

    def _try(self, now: datetime) -> None:
        if self._is_kept_back(now):
            self._due = None
            return
        messages = self._messages(now)
        self._step = min(self._step, len(messages) - 1)  # a start that has expired is one stop
        self._tries += 1
        self._due = now + self._answer_within
        self._publish(messages[self._step])

    def _last_words(self, now: datetime) -> str:
        messages = self._messages(now)
        return shown_payload(messages[min(self._step, len(messages) - 1)].payload)

    # --- messages that only change over -------------------------------------------------------

    def _wants_on(self, now: datetime) -> bool:
        command = self._command
        return command is not None and command.do == "start" and command.valid_until > now

    def _send_current(self, command: Command, now: datetime) -> None:
        if self._outputs.current is not None and self._wants_on(now):
            messages = command_messages(
                self._outputs, command, now, self._watts_per_amp, phases=self._phases
            )
            self._publish(messages[0])

    def _change_over(self, now: datetime) -> None:
        """Change over if the reported state is not the wanted one and no change is under way."""
        if self._is_on is None or self._changed_at is not None:
            return
        if self._is_on == self._wants_on(now):
            self._due = self.trouble = None
            return
        if self._tries >= MOST_TRIES:
            return
        self._tries += 1
        self._is_on, self._changed_at = not self._is_on, now
        self._due = now + self._answer_within
        self._publish(
            stop_message(self._outputs, 0 if self._command is None else self._command.serial)
        )

    def _end_waiting(self, now: datetime) -> None:
        self._due = None
        if (
            self._contradicted_by is not None
        ):  # the last report since the change says that it failed
            self.take_state(now, is_on=self._contradicted_by)
            self._change_over(now)
        self._note_trouble(now)

    def _note_trouble(self, now: datetime) -> None:
        if self._due is not None:
            return
        if self._is_on is None:
            self.trouble = "it does not report whether it is switched on"
        elif self._changed_at is not None or self._is_on != self._wants_on(now):
            self.trouble = "it does not change over, or does not report it"

    def _publish(self, message: OutgoingMessage) -> None:
        self._sender.publish(message.topic, message.payload, retain=message.retain, qos=message.qos)


class StopAsWill:
    """A separate connection whose Will is a charge point's stop.

    It publishes nothing itself. If the daemon or its machine dies, the broker publishes the
    stop. It also does so if only this connection breaks, perhaps during a charge: `on_return` then
    has the command sent again. Until then no start may be sent, since nothing would end it.

    Parameters
    ----------
    bus
        The household's broker.
    client_id
        Used by this connection only.
    outputs
        The charge point's wiring.
    on_return
        Called on the connection's own thread each time it is up.

    Attributes
    ----------
    is_up : bool
        Whether the broker has the Will.
    """

    def __init__(
        self, bus: Bus, client_id: str, outputs: WiringOutputs, on_return: Callable[[], None]
    ) -> None:
        stop = stop_message(outputs)
        self.is_up = False
        self._on_return = on_return
        self._mqtt = MqttBus(
            bus,
            client_id=client_id,
            on_event=self._on_event,
            will=(stop.topic, stop.payload),
            will_is_kept=stop.retain,
            keep_session=False,
        )

    def start(self) -> None:
        """Connect, in the background."""
        self._mqtt.start()

    def stop(self) -> None:
        """Disconnect; the broker then publishes no Will."""
        self._mqtt.stop()

    def _on_event(self, event: BusEvent) -> None:
        if isinstance(event, Disconnected):
            self.is_up = False
            _log.warning("no start is sent: the Will that would end it is gone", why=event.reason)
        elif isinstance(event, Connected):
            self.is_up = True
            self._on_return()
