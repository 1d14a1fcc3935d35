"""The queue of the daemon's loop: order, what overtakes, and what a flood may cost."""

from __future__ import annotations

from itertools import pairwise
from queue import Empty
from threading import Thread

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from adapters.bus.connection import MOST_UNACKNOWLEDGED
from adapters.bus.events import Connected, MessageArrived
from daemon.messaging.event_queue import (
    LONGEST_MESSAGE_BYTES,
    MOST_BYTES,
    MOST_OF_A_TOPIC,
    MOST_REQUESTS,
    MOST_UNKNOWN,
    PATIENCE_SECONDS,
    UNKNOWN,
    EventQueue,
)
from daemon.messaging.incoming import Halt, WakeUp

READING, REQUEST = "home/driveway/reading", "home/driveway/request"


class Queue:
    """A queue with a clock that a test sets, and the payloads that it acknowledged."""

    def __init__(self) -> None:
        self.seconds = 0.0
        self.acked: list[bytes] = []
        self.queue = EventQueue(
            lambda topic: None if "strange" in topic else topic,
            lambda topic: topic.endswith("request"),
            lambda: self.seconds,
        )

    def send(self, topic: str, payload: bytes = b"") -> None:
        self.queue.put(
            MessageArrived(topic, payload, retain=False, ack=lambda: self.acked.append(payload))
        )

    def flood(self, topic: str, count: int) -> None:
        for number in range(count):
            self.send(topic, str(number).encode())

    def taken(self) -> list[object]:
        """Take all: payloads of messages, and other events as they are."""
        events: list[object] = []
        while not self.queue.empty():
            event = self.queue.get()
            events.append(event.payload if isinstance(event, MessageArrived) else event)
        return events


def test_events_come_in_the_order_in_which_they_were_put() -> None:
    """Whatever they are, while nothing waits for long."""
    queue = Queue()
    queue.send(READING, b"1")
    queue.queue.put(WakeUp())
    queue.send("home/driveway/vehicle", b"2")
    queue.send(REQUEST, b"3")
    queue.send(READING, b"4")
    assert queue.taken() == [b"1", WakeUp(), b"2", b"3", b"4"]


def test_what_is_urgent_overtakes_messages_after_a_while() -> None:
    """First the timer, the connection and the end, then requests, then the rest in its order."""
    queue = Queue()
    queue.flood(READING, 2)
    queue.send(REQUEST, b"ask")
    queue.queue.put(WakeUp())
    queue.queue.put(Connected("5"))
    queue.queue.put(Halt())
    queue.seconds = PATIENCE_SECONDS
    assert queue.taken() == [WakeUp(), Connected("5"), Halt(), b"ask", b"0", b"1"]


def test_one_wake_up_is_enough() -> None:
    """A timer that goes off again before the loop has turned adds nothing."""
    queue = Queue()
    for _ in range(3):
        queue.queue.put(WakeUp())
    assert queue.taken() == [WakeUp()]


def test_a_flood_on_one_topic_is_thinned() -> None:
    """The newest stays, and the rest keeps its order; what is dropped is acknowledged."""
    queue = Queue()
    queue.flood(READING, 100_000)
    dropped = queue.queue.take_dropped()
    left = [int(payload) for payload in queue.taken() if isinstance(payload, bytes)]
    assert len(left) <= MOST_OF_A_TOPIC
    assert left == sorted(left)
    assert left[-1] == 99_999
    assert dropped == {READING: 100_000 - len(left)}
    assert {int(payload) for payload in queue.acked} == set(range(100_000)) - set(left)
    assert not queue.queue.take_dropped()


def test_what_is_left_of_some_messages_too_many_covers_the_whole_time() -> None:
    """Of 512 readings at least every fourth is left, from the first to the last."""
    queue = Queue()
    queue.flood(READING, 2 * MOST_OF_A_TOPIC)
    left = [int(payload) for payload in queue.taken() if isinstance(payload, bytes)]
    assert left[0] < 4
    assert max(later - earlier for earlier, later in pairwise(left)) <= 4


def test_what_a_broker_sends_unacknowledged_is_never_thinned() -> None:
    """Not even if all of them come twice, as the connection was lost in between."""
    queue = Queue()
    queue.flood(READING, 2 * MOST_UNACKNOWLEDGED)
    taken = [int(each) for each in queue.taken() if isinstance(each, bytes)]
    assert taken == list(range(2 * MOST_UNACKNOWLEDGED))
    assert queue.acked == []


def test_of_requests_the_newest_wait() -> None:
    """Whoever asks after a flood need not wait for all of it."""
    queue = Queue()
    queue.flood(REQUEST, 1000)
    assert queue.taken() == [str(number).encode() for number in range(1000)][-MOST_REQUESTS:]
    assert queue.queue.take_dropped() == {REQUEST: 1000 - MOST_REQUESTS}


def test_topics_that_the_household_does_not_have_share_a_few_places() -> None:
    """A stranger who invents a topic for each message takes no memory."""
    queue = Queue()
    for number in range(1000):
        queue.send(f"home/strange-{number}/reading", b"x")
    assert len(queue.taken()) == MOST_UNKNOWN
    assert queue.queue.take_dropped() == {UNKNOWN: 1000 - MOST_UNKNOWN}


def test_of_a_message_longer_than_the_contract_allows_only_the_start_waits() -> None:
    """One byte more than 64 KiB: enough for the reader to refuse it with the reason."""
    queue = Queue()
    queue.send(READING, bytes(LONGEST_MESSAGE_BYTES))
    queue.send(READING, bytes(10_000_000))
    assert queue.taken() == [bytes(LONGEST_MESSAGE_BYTES), bytes(LONGEST_MESSAGE_BYTES + 1)]


@given(
    st.lists(
        st.tuples(st.integers(0, 90), st.integers(1, LONGEST_MESSAGE_BYTES)),
        min_size=60, max_size=200,
    )
)  # fmt: skip
def test_all_that_waits_has_a_limit(sent: list[tuple[int, int]]) -> None:
    """However it is spread over topics; each message is either taken or acknowledged."""
    queue = Queue()
    for topic, size in sent:
        queue.send(f"home/point-{topic}/vehicle", bytes(size))
    left = [event for event in queue.taken() if isinstance(event, bytes)]
    assert sum(map(len, left)) <= MOST_BYTES
    assert len(left) + len(queue.acked) == len(sent)


def test_large_messages_are_thinned_once() -> None:
    """The bytes of what was dropped or taken make place for others, time and again."""
    queue = Queue()
    fit = MOST_BYTES // LONGEST_MESSAGE_BYTES
    for _ in range(2):
        for _ in range(fit + 1):
            queue.send(READING, bytes(LONGEST_MESSAGE_BYTES))
        assert len(queue.taken()) == fit // 2 + 1


def test_of_large_messages_on_many_topics_one_is_dropped() -> None:
    """A topic's only message goes if nothing else makes place."""
    queue = Queue()
    fit = MOST_BYTES // LONGEST_MESSAGE_BYTES
    for topic in range(fit + 1):
        queue.send(f"home/point-{topic}/vehicle", bytes(LONGEST_MESSAGE_BYTES))
    assert len(queue.taken()) == fit
    assert queue.queue.take_dropped() == {"home/point-0/vehicle": 1}


@given(st.lists(st.sampled_from(["a/reading", "b/reading", "a/request", "timer", "take"])))
def test_nothing_urgent_waits_behind_readings(steps: list[str]) -> None:
    """Whatever came before: after a tenth of a second the timer is next, then a request."""
    queue = Queue()
    waiting: list[str] = []
    for step in steps:
        queue.seconds += PATIENCE_SECONDS / 2
        if step == "take":
            if waiting:
                event = queue.queue.get()
                waiting.remove(event.topic if isinstance(event, MessageArrived) else "timer")
        elif step == "timer":
            queue.queue.put(WakeUp())
            waiting += [] if "timer" in waiting else ["timer"]
        else:
            queue.send(step)
            waiting.append(step)
    queue.seconds += 1.01 * PATIENCE_SECONDS
    left = [queue.queue.get() for _ in waiting]
    order = [event.topic if isinstance(event, MessageArrived) else "timer" for event in left]
    urgency = {"timer": 0, "a/request": 1}
    assert [urgency.get(each, 2) for each in order] == sorted(
        urgency.get(each, 2) for each in order
    )
    assert sorted(order) == sorted(waiting)


@settings(max_examples=10)
@given(st.lists(st.integers(0, 3), min_size=1, max_size=20), st.integers(1, 3))
def test_the_newest_register_of_each_meter_stays(meters: list[int], times: int) -> None:
    """So a flood costs no energy: registers only grow, and the last one holds the sum."""
    queue = Queue()
    newest: dict[str, bytes] = {}
    for meter in meters:
        for _ in range(times * MOST_OF_A_TOPIC // len(meters)):
            register = str(len(queue.acked) + len(newest)).encode()
            newest[f"home/point-{meter}/reading"] = register
            queue.send(f"home/point-{meter}/reading", register)
    left: dict[str, bytes] = {}
    while not queue.queue.empty():
        event = queue.queue.get()
        assert isinstance(event, MessageArrived)
        left[event.topic] = event.payload
    assert left == newest


def test_get_waits_for_what_another_thread_puts() -> None:
    """And gives up in time if nothing comes."""
    queue = Queue()
    with pytest.raises(Empty):
        queue.queue.get(timeout=0.01)
    putting = Thread(target=queue.queue.put, args=[Halt()])
    putting.start()
    assert queue.queue.get(timeout=20) == Halt()
    putting.join()
