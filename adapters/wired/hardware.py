"""One wired charge point: its messages read, its commands sent, its questions asked.

Knows no clock: time is passed in, and `next_due` says when `advance` has something to do.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from adapters.contract.messages import MalformedMessage, Message, Reading
from adapters.wired.channels import Sender, WiredChannel
from adapters.wired.command_messages import plain_message
from adapters.wired.point import WiredPoint
from config.household.wiring import Question, Wiring

FLOWS_WATTS: Final = 100.0
"""More power than this flows only through hardware that is switched on [W]."""

ASKED_AFTER: Final = timedelta(seconds=2)
"""Hardware that only answers is asked this long after a command."""


@dataclass(frozen=True, slots=True)
class HardwareNews:
    """Something new about the hardware itself.

    Attributes
    ----------
    available
        Whether it is there; None if that is not new.
    trouble
        Why it does not answer, in words; empty once it does again; None if that is not new.
    """

    available: bool | None = None
    trouble: str | None = None


class WiredHardware:
    """Speaks with one charge point in its own topics and payloads.

    Parameters
    ----------
    wiring
        The charge point's wiring.
    sender
        The bus.
    watts_per_amp
        Power of each ampere [W]: phases times volts.
    phases
        How many phases that is, for hardware that is told fewer.
    register_kwh
        Where a register that is counted here starts.

    Attributes
    ----------
    channel : WiredChannel or None
        How to send commands; None if it takes the daemon's own.
    point : WiredPoint or None
        How to read messages; None if it writes the daemon's own.
    sent : int
        The number of messages published.
    """

    def __init__(
        self,
        wiring: Wiring,
        sender: Sender,
        *,
        watts_per_amp: float,
        phases: int = 1,
        register_kwh: float = 0.0,
        may_start: Callable[[], bool] = lambda: True,
    ) -> None:
        tell, hear = wiring.tell, wiring.hear
        self.sent = 0
        self._sender = sender
        self.channel = (
            None
            if tell is None
            else WiredChannel(
                tell, self, watts_per_amp=watts_per_amp, phases=phases, may_start=may_start
            )
        )
        self.point = (
            None
            if hear is None
            else WiredPoint(hear, watts_per_amp=watts_per_amp, register_kwh=register_kwh)
        )
        self._questions: dict[int, Question] = dict(enumerate(hear.ask if hear else ()))
        self._asked_next: dict[int, datetime] = {}
        self._available: bool | None = None
        self._trouble: str | None = None
        self._topics = wiring_topics(wiring)

    @property
    def topic_filters(self) -> Sequence[str]:
        """The topics to subscribe to."""
        return self._topics

    def read(
        self, topic: str, payload: bytes, now: datetime, *, retain: bool
    ) -> tuple[Message, ...]:
        """Return what a message says, and take up what it says about the hardware itself.

        Parameters
        ----------
        topic, payload
            What the bus carried.
        now
            When it arrived; its values are dated with this.
        retain
            Whether the broker had stored it.

        Returns
        -------
        tuple of Message
            A reading, a report, both or neither.

        Raises
        ------
        MalformedMessage
            If it does not match the household file; the rest of it counts all the same.
        """  # noqa: DOC502 - raised again
        refused: MalformedMessage | None = None
        if self.channel is not None:
            try:
                self.channel.hear(topic, payload, now, retain=retain)
            except MalformedMessage as error:
                refused = error
        read: tuple[Message, ...] = ()
        if self.point is not None:
            was_gone = self.point.available is False
            read = self.point.read(topic, payload, now, retain=retain)
            if self.channel is not None:
                is_new = self.point.was_born and (was_gone or not retain)
                self._take_signals(self.point, self.channel, now, is_new=is_new, retain=retain)
                if self.point.switched_on is None and _flows(read):
                    self.channel.take_state(now, is_on=True)
        if refused is not None:
            raise refused
        return read

    def command_sent(self, now: datetime) -> None:
        """Ask soon what a command has done, where hardware only answers."""
        for index, due in self._asked_next.items():
            self._asked_next[index] = min(due, now + ASKED_AFTER)

    def advance(self, now: datetime) -> None:
        """Do what is due: ask, and send again what was not answered."""
        if self.channel is not None:
            self.channel.advance(now)
        for index, question in self._questions.items():
            due = self._asked_next.get(index, now)
            interval = timedelta(seconds=question.every_seconds)
            if due <= now or due > now + interval:  # or the clock was put back
                self._asked_next[index] = now + interval
                message = plain_message(question)
                self.publish(message.topic, message.payload, retain=message.retain, qos=message.qos)

    def publish(self, topic: str, payload: bytes, *, retain: bool, qos: int = 1) -> bool:
        """Publish a message, and count it; False while there is no broker."""
        is_sent = self._sender.publish(topic, payload, retain=retain, qos=qos)
        self.sent += is_sent
        return is_sent

    def next_due(self) -> datetime | None:
        """Return when `advance` has something to do; the first questions are asked at once."""
        due = self.channel.next_due() if self.channel is not None else None
        dues = [*self._asked_next.values(), *([due] if due else [])]
        return min(dues, default=None)

    def take_news(self) -> HardwareNews | None:
        """Return what is new about the hardware since the last call; None for nothing."""
        available = self.point.available if self.point is not None else None
        trouble = self.channel.trouble if self.channel is not None else None
        news = HardwareNews(
            available if available != self._available else None,
            (trouble or "") if trouble != self._trouble else None,
        )
        self._available, self._trouble = available, trouble
        return None if news == HardwareNews() else news

    def _take_signals(
        self, point: WiredPoint, channel: WiredChannel, now: datetime, *, is_new: bool, retain: bool
    ) -> None:
        """Take up what a message says of hardware: that it is gone or back, on or off."""
        if point.available is False:
            channel.forget_state()
            return
        if is_new:  # it may have lost its command
            channel.forget_state()
            channel.send_again(now)
            self.command_sent(now)
        # What the broker has stored may be older than an outage of the hardware, unless its Will
        # would have said so.
        if point.switched_on is not None and (not retain or point.available):
            channel.take_state(now, is_on=point.switched_on)


def _flows(read: Sequence[Message]) -> bool:
    return any(isinstance(each, Reading) and (each.watts or 0) > FLOWS_WATTS for each in read)


def wiring_topics(wiring: Wiring) -> tuple[str, ...]:
    """Return the topics of a charge point's wiring to subscribe to, each once."""
    heard = wiring.hear.topics if wiring.hear else ()
    answered = wiring.tell.acknowledgement if wiring.tell else None
    return tuple(dict.fromkeys((*heard, *((answered.topic,) if answered else ()))))
