"""Send bad messages through the broker of a rehearsed night, and kill the daemon meanwhile."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from random import Random

from adapters.contract.topics import Topics, matches
from tests.faults.evenings import POINT
from tests.faults.garbage import Garbage, Sent
from tests.faults.handle import LIMIT_SECONDS
from tests.faults.kills import Kills
from tests.faults.night import Night
from tests.support.waiting import patience

LONGEST_TOPIC = 1000


@dataclass(slots=True)
class Litter:
    """Strikes at these instants, now and then with a kill, after which retained messages return.

    Attributes
    ----------
    each : int
        How many bad messages at a time.
    """

    chance: Random
    instants: list[datetime]
    each: int
    made: Garbage | None = None
    remembered: int = 0
    kills: Kills = field(init=False)

    def __post_init__(self) -> None:
        self.kills = Kills(self.chance, [])

    def prepare(self, night: Night) -> None:
        """Leave a retained request of another evening: it comes with every subscription."""
        topic = night.stage.topics.request(POINT)
        assert night.stage.person.publish(topic, b'{"v":1,"charge_now":true}', retain=True)
        assert night.stage.person.wait_acknowledged(patience(LIMIT_SECONDS))

    def strike(self, night: Night) -> None:
        """Publish bad messages, and check that each is handled; or kill the daemon."""
        if self.made is not None and self.chance.random() < 0.2:
            self.kills.strike(night)
            return
        topics = night.stage.topics
        self.made = self.made or Garbage(self.chance, topics)
        published = night.stage.hardware.published
        for topic, payload in published[self.remembered :]:
            self.made.remember(Sent(topic, payload))
        self.remembered = len(published)
        night.stage.daemon.set_clock(night.now)
        for _ in range(self.each):
            self._throw(night, self.made.make(night.now)[1], topics)
        night.settle()

    def _throw(self, night: Night, sent: Sent, topics: Topics) -> None:
        if not sent.topic or "\0" in sent.topic or len(sent.topic) > LONGEST_TOPIC:
            return  # no client can send this
        if sent.retain and sent.topic == topics.request(POINT):
            return  # to present subscribers it is a request like any other
        is_subscribed = any(matches(wanted, sent.topic) for wanted in topics.subscriptions())
        assert night.stage.person.publish(
            sent.topic, sent.payload, retain=sent.retain and is_subscribed and bool(sent.payload)
        )
        night.stage.tally.tried["bad messages, through a broker"] += 1
        if is_subscribed:
            night.pending.append((sent.topic, sent.payload))
