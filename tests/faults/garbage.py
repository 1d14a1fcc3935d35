"""Make messages that must change nothing, from a seeded generator."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from random import Random
from typing import Any, Final

from adapters.contract.topics import Topics
from tests.faults.evenings import POINT

MIB: Final = 1024 * 1024
REMEMBERED: Final = 200


@dataclass(frozen=True, slots=True)
class Sent:
    """A message as a broker delivers it."""

    topic: str
    payload: bytes
    retain: bool = False


@dataclass(slots=True)
class Garbage:
    """Makes bad messages.

    Attributes
    ----------
    chance : Random
        Seeded.
    topics : Topics
        The household's.
    good : list of Sent
        Readings and reports that were sent before, to be sent again.
    """

    chance: Random
    topics: Topics
    good: list[Sent] = field(default_factory=list)

    def remember(self, sent: Sent) -> None:
        """Remember a good message, to send it again later."""
        self.good = [*self.good[-REMEMBERED:], sent]

    def make(self, now: datetime) -> tuple[str, Sent]:
        """Return the kind of a message, and the message."""
        kind = self.chance.choices(list(KINDS), weights=[weight for weight, _ in KINDS.values()])[0]
        return kind, KINDS[kind][1](self, now)

    # --- the kinds ----------------------------------------------------------------------------

    def mangled(self, now: datetime) -> Sent:
        """Cut a good message off, or change a byte so that it is no JSON any more."""
        topic, payload = self._fresh(now)
        if self.chance.random() < 0.5:
            return Sent(topic, payload[: self.chance.randrange(len(payload))])
        return Sent(topic, payload.replace(b":", self.chance.choice([b";", b"", b"::"]), 1))

    def noise(self, _now: datetime) -> Sent:
        """Send bytes without sense, invalid UTF-8 among them."""
        payload = b"\xff" + self.chance.randbytes(self.chance.randint(0, 200))
        return Sent(self._topic(), payload)

    def other_json(self, _now: datetime) -> Sent:
        """Send JSON that is no object, or is empty."""
        return Sent(self._topic(), self.chance.choice(OTHER_JSON))

    def deep(self, _now: datetime) -> Sent:
        """Nest deeply."""
        depth = self.chance.choice([50, 300, 5_000, 60_000])
        if self.chance.random() < 0.5:
            return Sent(self._topic(), b"[" * depth + b"]" * depth)
        return Sent(self._topic(), b'{"at":' * (depth // 10))

    def huge(self, now: datetime) -> Sent:
        """Send up to a mebibyte, some of it good except for its size."""
        size = self.chance.choice([65_537, 100_000, MIB])
        topic, payload = self._fresh(now)
        if self.chance.random() < 0.5:
            return Sent(topic, payload + b" " * size)
        return Sent(topic, b'{"v":1,"x":"' + b"x" * size + b'"}')

    def no_number(self, now: datetime) -> Sent:
        """Send bad numbers: NaN, infinities, texts, true, too many digits."""
        bad = self.chance.choice(["NaN", "Infinity", "-Infinity", "1e999", "true", '"7"', "[7]"])
        return self._with_value(now, bad)

    def wrong_unit(self, now: datetime) -> Sent:
        """Send numbers with a unit, or impossibly large ones."""
        bad = ['"3.61 kW"', '"41 %"', '"1234.5 kWh"', '{"value":3,"unit":"kW"}', "1e15", "-1e15"]
        return self._with_value(now, self.chance.choice(bad))

    def no_instant(self, now: datetime) -> Sent:
        """Send a bad date: none, one without offset, or one that no calendar has."""
        topic, payload = self._fresh(now)
        body = json.loads(payload)
        body["at"] = self.chance.choice(NO_INSTANTS)
        if self.chance.random() < 0.2:
            del body["at"]
        return Sent(topic, json.dumps(body).encode())

    def future(self, now: datetime) -> Sent:
        """Send a message dated further ahead than any clock."""
        ahead = timedelta(minutes=self.chance.choice([11, 61, 1440, 5_000_000]))
        return Sent(*self._fresh(now + ahead))

    def other_version(self, now: datetime) -> Sent:
        """Send a message of another version of the contract."""
        topic, payload = self._fresh(now)
        return Sent(topic, payload.replace(b'"v": 1', self.chance.choice([b'"v": 2', b'"v": "1"'])))

    def again(self, now: datetime) -> Sent:
        """Send an earlier good message again, late; now and then retained."""
        if not self.good:
            return self.mangled(now)
        sent = self.chance.choice(self.good)
        return Sent(sent.topic, sent.payload, retain=self.chance.random() < 0.3)

    def elsewhere(self, now: datetime) -> Sent:
        """Send a good payload on an unknown topic, or another household's."""
        _, payload = self._fresh(now)
        return Sent(self.chance.choice(ELSEWHERE).format(base=self.topics.base), payload)

    def bad_request(self, _now: datetime) -> Sent:
        """Send a request that is not allowed."""
        return Sent(self.topics.request(POINT), self.chance.choice(BAD_REQUESTS))

    def retained_request(self, _now: datetime) -> Sent:
        """Send a good request, but retained."""
        payload = self.chance.choice([b'{"v":1,"charge_now":true}', b'{"v":1,"soc_percent":99}'])
        return Sent(self.topics.request(POINT), payload, retain=True)

    def bad_prices(self, _now: datetime) -> Sent:
        """Send prices that are not valid."""
        return Sent(self.topics.prices, self.chance.choice(BAD_PRICES))

    # --- parts --------------------------------------------------------------------------------

    def _topic(self) -> str:
        topics = self.topics
        return self.chance.choice(
            [topics.reading(POINT), topics.vehicle(POINT), topics.request(POINT), topics.prices]
        )

    def _fresh(self, now: datetime) -> tuple[str, bytes]:
        """Return a message that hardware could send, with remarkable values."""
        at = now.isoformat()
        body: dict[str, Any]
        if self.chance.random() < 0.5:
            body = {"v": 1, "at": at, "register_kwh": self.chance.uniform(0, 5000), "watts": 7000.0}
            return self.topics.reading(POINT), json.dumps(body).encode()
        body = {"v": 1, "at": at, "pilot": self.chance.choice("ABCDEF"), "soc_percent": 99.0}
        return self.topics.vehicle(POINT), json.dumps(body).encode()

    def _with_value(self, now: datetime, value: str) -> Sent:
        at = now.isoformat()
        leaf, key = self.chance.choice(
            [("reading", "register_kwh"), ("reading", "watts"), ("vehicle", "soc_percent")]
        )
        topic = self.topics.reading(POINT) if leaf == "reading" else self.topics.vehicle(POINT)
        return Sent(topic, f'{{"v":1,"at":"{at}","{key}":{value}}}'.encode())


OTHER_JSON: Final = (
    b"", b"null", b"0", b"[]", b"{}", b'"reading"', b"[{}]", b'{"v":1}', b"\x00", b"\xef\xbb\xbf{}",
    b'{"v":1,"at":"2026-06-03T09:00:00Z"}', b"true", b"{'v':1}", b"1" * 5000,
)  # fmt: skip
NO_INSTANTS: Final[tuple[Any, ...]] = (
    None, 0, 1780000000, "", "now", "2026-06-03", "2026-06-03T09:00:00", "2026-02-30T09:00:00Z",
    "2026-06-03T25:00:00Z", "2026-06-03T09:00:00+99:00", {}, [],
)  # fmt: skip
ELSEWHERE: Final = (
    "{base}/carport/reading", "{base}/driveway/readings", "{base}/driveway", "{base}/reading",
    "{base}//reading", "{base}/driveway/reading/more", "lullwatt/rata-street/driveway/reading",
    "lullwatt", "", "/", "{base}/driveway/status", "{base}/driveway/plan", "{base}/driveway/alert",
    "{base}/DRIVEWAY/reading", "{base}/daemon", "\ufffd/\x00", "x" * 65_535,
)  # fmt: skip
BAD_REQUESTS: Final = (
    b'{"v":1}', b'{"v":1,"charge_nov":true}', b'{"v":1,"charge_now":"yes"}', b'{"v":1,"by":null}',
    b'{"v":1,"want_percent":101}', b'{"v":1,"want_percent":50,"need_percent":60}',
    b'{"v":1,"charge_now":true,"skip_until":"2026-06-03T09:00:00Z"}', b'{"v":1,"soc_percent":-1}',
    b'{"v":1,"skip_until":"tomorrow"}', b'{"v":1,"need_percent":NaN}', b'{"v":1,"vehicle":7}',
)  # fmt: skip
BAD_PRICES: Final = (
    b'{"v":1,"rates":[]}', b'{"v":1,"rates":[{"start":"2026-06-03T09:00:00Z","rate":NaN}]}',
    b'{"v":1,"rates":{"start":"2026-06-03T09:00:00Z","rate":0.1}}',
    b'{"v":1,"rates":[{"start":"2026-06-03T09:00:00","rate":0.1}]}',
    b'{"v":1,"rates":[{"start":"2026-06-03T09:00:00Z","rate":0.1}]}',  # bands, not a series
)  # fmt: skip
KINDS: Final[Mapping[str, tuple[int, Callable[[Garbage, datetime], Sent]]]] = {
    "mangled": (20, Garbage.mangled),
    "bytes without sense": (10, Garbage.noise),
    "other JSON": (10, Garbage.other_json),
    "nested deeply": (2, Garbage.deep),
    "huge": (1, Garbage.huge),
    "no number": (10, Garbage.no_number),
    "wrong unit": (10, Garbage.wrong_unit),
    "no instant": (10, Garbage.no_instant),
    "in the future": (10, Garbage.future),
    "another version": (5, Garbage.other_version),
    "sent again, late": (20, Garbage.again),
    "elsewhere": (10, Garbage.elsewhere),
    "a bad request": (5, Garbage.bad_request),
    "a retained request": (3, Garbage.retained_request),
    "bad prices": (3, Garbage.bad_prices),
}
"""Weight and maker of each kind."""
