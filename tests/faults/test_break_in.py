"""Strangers, and devices on topics of others, against a real Mosquitto and a real daemon.

The broker runs with deploy/mosquitto-home.conf and the access list of `lullwatt schema acl`. Each
row of the table changes nothing in the daemon, and gets the MQTT 5 reason that it names.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from structlog.testing import capture_logs

from adapters.bus.events import MessageArrived
from adapters.contract.topics import Topics
from adapters.ledger.ledger import open_ledger
from daemon.messaging.inbox import Inbox
from tests.support.certificates import Authority
from tests.support.forked import Forked
from tests.support.guarded import BASE, GuardedHome
from tests.support.strangers import LOST, SignIn, Stranger
from tests.support.waiting import patience, wait_until

MARKED_AMPS = 1.25
REFUSED = "Not authorized"
ENDED = {LOST, "disconnected: Packet too large"}
MALFORMED = {LOST, "disconnected: Malformed packet"}

NOW = datetime.now(UTC).replace(microsecond=0)  # noqa: TID251 - the daemon beside it reads it too


def stamp(offset: timedelta = timedelta(0)) -> str:
    return (NOW + offset).isoformat().replace("+00:00", "Z")


def message(**fields: object) -> bytes:
    return json.dumps({"v": 1, **fields}).encode()


READING = message(at=stamp(), register_kwh=666.0, watts=3600)
START = message(
    serial=2**40, do="start", amps=80, valid_until=stamp(timedelta(hours=9)), why="because I say so"
)
CHARGE_NOW = message(charge_now=True)
PRICES = message(rates=[{"start": stamp(), "rate": -1}])


class AttackedHome:
    """A guarded home with the daemon in it, and a family member who reads its messages."""

    def __init__(self, directory: Path) -> None:
        self.home = GuardedHome(directory)
        self._marks = 0
        self._log = directory / "daemon.log"
        self.home.broker.start()
        with self._log.open("wb") as log:
            self.daemon = Forked(["lullwatt", "run", self.home.household], stderr=log)
        self.witness = self.home.as_user("people")
        assert self.witness.connect() == "Success"
        self.witness.subscribe("#")
        self.hardware = self.home.as_user("point.driveway")
        assert self.hardware.connect() == "Success"
        wait_until(lambda: "connected to the broker" in self.log, 20, what="the daemon connects")
        wait_until(lambda: self.received("driveway/command"), what="a command")

    @property
    def log(self) -> str:
        return self._log.read_text("utf-8")

    def received(self, end: str) -> list[bytes]:
        return [payload for topic, payload in self.witness.heard if topic == f"{BASE}/{end}"]

    def rows(self) -> dict[str, Any]:
        """Count the daemon's rows, and read the command in force."""
        with closing(sqlite3.connect(f"file:{self.home.directory}/ledger.sqlite3?mode=ro")) as rows:
            counts = {
                table: rows.execute(f"SELECT count(*) FROM {table} {where}").fetchone()  # noqa: S608
                for table, where in [
                    ("readings", f"WHERE amps IS NOT {MARKED_AMPS}"),
                    *((table, "") for table in ("vehicle_reports", "requests", "prices")),
                    ("commands", ""),
                ]
            }
        return counts | {"command": self.received("driveway/command")[-1]}

    def settle(self) -> None:
        """Let the driveway's hardware send a reading, and wait until the daemon has stored it."""
        self._marks += 1
        at = stamp(timedelta(milliseconds=self._marks))
        mark = message(at=at, register_kwh=1000.0, watts=0, amps=MARKED_AMPS)
        assert self.hardware.publish(f"{BASE}/driveway/reading", mark) == "Success"
        wait_until(lambda: self._marks_stored() == self._marks, what="the mark in the ledger")

    def _marks_stored(self) -> int:
        with closing(sqlite3.connect(f"file:{self.home.directory}/ledger.sqlite3?mode=ro")) as rows:
            sql = "SELECT count(*) FROM readings WHERE amps = ?"
            count: int = rows.execute(sql, (MARKED_AMPS,)).fetchone()[0]
            return count

    def end(self) -> None:
        self.daemon.terminate()
        self.daemon.wait(patience(20))
        self.home.broker.kill()


@pytest.fixture(scope="module")
def attacked(tmp_path_factory: pytest.TempPathFactory) -> Iterator[AttackedHome]:
    made = AttackedHome(tmp_path_factory.mktemp("guarded"))
    with made.witness, made.hardware:
        yield made
    made.end()


@pytest.fixture
def unmoved(attacked: AttackedHome) -> Iterator[AttackedHome]:
    """Yield the home, and check afterwards that nothing in the daemon has changed."""
    attacked.settle()
    before = attacked.rows()
    yield attacked
    attacked.settle()
    assert attacked.rows() == before
    assert attacked.daemon.poll() is None
    assert "Traceback" not in attacked.log


# --- who is let in --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("user", "password"),
    [
        ("kowhai-cottage.daemon", "guessed"),
        ("kowhai-cottage.daemon", None),
        ("kowhai-cottage.daemon", ""),
        ("kowhai-cottage.people", "planted-Kea9-kowhai-cottage.daemon"),
        ("nobody", "planted-Kea9-kowhai-cottage.daemon"),
        ("", ""),
        (None, None),
    ],
)
def test_nobody_connects_without_the_password(
    unmoved: AttackedHome, user: str | None, password: str | None
) -> None:
    """A wrong password, another user's, none, or no name at all: the broker refuses it."""
    trusts = unmoved.home.authority.certificate
    with Stranger(unmoved.home.broker.port, SignIn(user, password, trusts)) as stranger:
        assert stranger.connect() == REFUSED


def test_nobody_connects_unencrypted(unmoved: AttackedHome) -> None:
    """Without TLS there is no answer at all, even with the right password."""
    right = unmoved.home.sign_in("daemon")
    with Stranger(unmoved.home.broker.port, SignIn(right.username, right.password)) as stranger:
        assert stranger.connect() == LOST


# --- who may publish what -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("who", "topic", "payload"),
    [
        pytest.param(who, topic, payload, id=f"{who} publishes {topic}")
        for who, topic, payload in [
            ("point.driveway", "driveway/command", START),
            ("point.driveway", "shed/command", START),
            ("point.driveway", "shed/reading", READING),
            ("point.driveway", "shed/vehicle", message(at=stamp(), pilot="B")),
            ("point.driveway", "driveway/request", CHARGE_NOW),
            ("point.driveway", "driveway/status", b"{}"),
            ("point.driveway", "driveway/plan", b""),
            ("point.driveway", "daemon", message(state="offline")),
            ("point.driveway", "prices", PRICES),
            ("people", "driveway/reading", READING),
            ("people", "driveway/vehicle", message(at=stamp(), pilot="A")),
            ("people", "driveway/command", START),
            ("people", "daemon", message(state="offline")),
            ("people", "prices", PRICES),
            ("people", "elsewhere/request", CHARGE_NOW),
            ("prices", "driveway/command", START),
            ("prices", "driveway/request", CHARGE_NOW),
            ("prices", "driveway/reading", READING),
            ("load", "driveway/reading", READING),
            ("load", "prices", PRICES),
        ]
    ],
)
@pytest.mark.parametrize("retain", [False, True])
def test_nobody_publishes_on_topics_of_others(
    unmoved: AttackedHome, who: str, topic: str, payload: bytes, *, retain: bool
) -> None:
    """A right password, but another user's topic: refused with 0x87, delivered to nobody."""
    with unmoved.home.as_user(who) as device:
        assert device.connect() == "Success"
        assert device.publish(f"{BASE}/{topic}", payload, retain=retain) == REFUSED
    assert payload not in unmoved.received(topic) or payload == b""


def test_a_subscription_to_everything_gets_only_the_users_own_topics(unmoved: AttackedHome) -> None:
    """Hardware that subscribes to # gets its own command and the daemon's state, no more."""
    with unmoved.home.as_user("point.driveway") as device:
        device.connect()
        assert device.subscribe("#") == "Granted QoS 1"
        own = {f"{BASE}/driveway/command", f"{BASE}/daemon"}
        wait_until(lambda: {topic for topic, _ in device.heard} >= own, what="its own topics")
        unmoved.settle()
        assert {topic for topic, _ in device.heard} == own
    with unmoved.home.as_user("prices") as feed:
        feed.connect()
        feed.subscribe("#")
        feed.subscribe("$SYS/#")
        unmoved.settle()
        assert feed.heard == []


@pytest.mark.parametrize("part", ["", "-hardware", "-requests"])
def test_a_device_can_not_take_the_daemon_s_client_id(unmoved: AttackedHome, part: str) -> None:
    """It would disconnect the daemon (MQTT 5, section 3.1.4), but has to know the id for that.

    The id ends with digits made from the daemon's password, which no device knows.
    """
    for _ in range(10):
        with unmoved.home.as_user("point.shed", f"lullwatt-kowhai-cottage{part}") as device:
            assert device.connect() == "Success"
            assert device.publish(f"{BASE}/driveway/command", START) == REFUSED
    unmoved.settle()
    assert "no broker, trying again" not in unmoved.log
    assert "the connection is lost" not in unmoved.log


def test_two_people_of_one_account_are_both_answered(unmoved: AttackedHome) -> None:
    """Each question has a client id of its own."""
    with (
        unmoved.home.as_user("people", "one") as one,
        unmoved.home.as_user("people", "two") as other,
    ):
        for person, name in ((one, "first"), (other, "second")):
            person.connect()
            person.subscribe(f"{BASE}/driveway/answer")
            asked = f'{{"v":1,"id":"{name}","want_percent":80,"preview":true}}'.encode()
            person.publish(f"{BASE}/driveway/request", asked)
        answered = "both answers"
        wait_until(lambda: any(b"first" in body for _, body in one.heard), what=answered)
        wait_until(lambda: any(b"second" in body for _, body in other.heard), what=answered)


@pytest.mark.parametrize(
    "topic",
    [
        "driveway/request\0",
        "driveway/request\n",
        "driveway\x7f/request",
        "driveway\x85/request",
    ],
    ids=ascii,
)
def test_topics_with_control_characters(unmoved: AttackedHome, topic: str) -> None:
    """The broker closes the connection of any user: MQTT 5, section 1.5.4, allows it."""
    with unmoved.home.as_user("people") as person:
        person.connect()
        assert person.publish(f"{BASE}/{topic}", CHARGE_NOW) in MALFORMED


def test_a_topic_of_60_000_characters(unmoved: AttackedHome) -> None:
    """Nobody has such a topic, and it is refused."""
    with unmoved.home.as_user("people") as person:
        person.connect()
        topic = f"{BASE}/{'x' * 60_000}/request"
        assert person.publish(topic, CHARGE_NOW) == REFUSED


# --- allowed topics, bad payloads -----------------------------------------------------------------

BOMBS = {
    "nested 30,000 deep": b"[" * 30_000 + b"]" * 30_000,
    "objects in objects": b'{"a":' * 10_000 + b"1" + b"}" * 10_000,
    "a number of 60,000 digits": b'{"v":1,"want_percent":' + b"9" * 60_000 + b"}",
    "a huge exponent": b'{"v":1,"want_percent":1e999999999}',
    "not a number": b'{"v":1,"want_percent":NaN}',
    "10,000 keys": json.dumps({f"k{n}": n for n in range(4_500)}).encode(),
    "the same key again and again": b"{" + b'"v":1,' * 9_000 + b'"v":2}',
    "no UTF-8": b'{"v":1,"vehicle":"\xff"}',
    "half a surrogate": b'{"v":1,"vehicle":"\\ud800"}',
    "half a message": b'{"v":1,"charge_n',
    "nothing": b"",
    "zeros": bytes(60_000),
    "a name of 60,000 characters": message(vehicle="x" * 60_000),
    "a key that does not exist": message(charge_now=True, do="start"),
}


@pytest.mark.parametrize("payload", BOMBS.values(), ids=BOMBS.keys())
def test_payloads_made_to_hurt(unmoved: AttackedHome, payload: bytes) -> None:
    """They pass on a person's own topic, and the daemon logs that it did not understand.

    The log says so once a minute, whatever comes.
    """
    with unmoved.home.as_user("people") as person:
        person.connect()
        assert person.publish(f"{BASE}/driveway/request", payload) == "Success"
    # Not by a reading: requests come over a connection of their own.
    wait_until(lambda: "message not understood" in unmoved.log, what="the line in the log")
    assert max(map(len, unmoved.log.splitlines())) < 1_000


@pytest.mark.parametrize("size", [65_537, 80_000, 5_000_000])
def test_payloads_that_are_too_large(unmoved: AttackedHome, size: int) -> None:
    """More than 64 KiB closes the connection, and reaches nobody."""
    with unmoved.home.as_user("people") as person:
        person.connect()
        assert person.publish(f"{BASE}/driveway/request", b" " * size) in ENDED
    assert max(map(len, unmoved.received("driveway/request")), default=0) <= 65_536


@pytest.mark.parametrize(
    "topic",
    [
        f"{BASE}/driveway\0/request",
        f"{BASE}/driveway\n/request",
        f"{BASE}/\x1b[2J/request",
        f"{BASE}/\u202egnp/request",
        f"{BASE}/{'x' * 60_000}/request",
        f"{BASE}/driveway/request\0",
        f"{BASE}/driveway/request/",
        f"{BASE}//request",
        "lullwatt/" * 7_000,
        "",
    ],
    ids=lambda topic: ascii(topic)[:60],
)
def test_topics_that_a_broker_should_have_refused(topic: str, tmp_path: Path) -> None:
    """The daemon ignores them; its log stays short and printable."""
    with open_ledger(tmp_path / "ledger.sqlite3") as ledger, capture_logs() as logs:
        inbox = Inbox(Topics("lullwatt", "Kowhai Cottage"), ["driveway"], ledger)
        arrived = MessageArrived(topic, CHARGE_NOW, retain=False, ack=lambda: None)
        assert inbox.receive(arrived, NOW) is None
        assert ledger.requests_since("driveway", NOW - timedelta(days=1)) == ()
    shown = [str(line.get("topic", "")) for line in logs]
    assert all(text.isprintable() and len(text) <= 4_000 for text in shown)


# --- and what is theirs comes through -------------------------------------------------------------


def test_everybody_may_publish_on_their_own_topics(attacked: AttackedHome) -> None:
    """The same table the other way round: each user's own message is stored by the daemon."""
    before = attacked.rows()
    messages = [
        ("point.shed", "shed/reading", READING),
        ("point.driveway", "driveway/vehicle", message(at=stamp(), pilot="B", soc_percent=40)),
        ("people", "driveway/request", message(skip_until=stamp(timedelta(hours=9)))),
        ("prices", "prices", PRICES),
        ("load", "load", message(at=stamp(), amps=[3.5])),
    ]
    for who, topic, payload in messages:
        with attacked.home.as_user(who) as device:
            assert device.connect() == "Success"
            assert device.publish(f"{BASE}/{topic}", payload) == "Success"

    def all_have_grown() -> bool:
        after = attacked.rows()
        stored = ("readings", "vehicle_reports", "requests")
        return all(after[table] > before[table] for table in stored)

    wait_until(all_have_grown, what="a row of each")


# --- certificates ---------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def certified(tmp_path_factory: pytest.TempPathFactory) -> Iterator[GuardedHome]:
    home = GuardedHome(tmp_path_factory.mktemp("certified"), certificates=True)
    home.broker.start()
    yield home
    home.broker.kill()


def test_nobody_connects_without_a_certificate(certified: GuardedHome) -> None:
    """With require_certificate a password is not enough."""
    trusts = certified.authority.certificate
    shown = SignIn("kowhai-cottage.daemon", "planted-Kea9-kowhai-cottage.daemon", trusts)
    with Stranger(certified.broker.port, shown) as stranger:
        assert stranger.connect() != "Success"


def test_a_certificate_of_another_authority_is_not_accepted(
    certified: GuardedHome, tmp_path: Path
) -> None:
    """A certificate with the right name does not help if somebody else has signed it."""
    forged = Authority(tmp_path / "other", "Authority of the house").sign("kowhai-cottage.daemon")
    shown = SignIn(trusts=certified.authority.certificate, shows=forged)
    with Stranger(certified.broker.port, shown) as stranger:
        assert stranger.connect() != "Success"


def test_a_certificate_says_who_it_is(certified: GuardedHome) -> None:
    """The common name is the user of the access list, whatever user name is sent with it."""
    as_hardware = certified.sign_in("point.driveway")
    shown = SignIn("kowhai-cottage.daemon", "x", as_hardware.trusts, as_hardware.shows)
    with Stranger(certified.broker.port, shown) as device:
        assert device.connect() == "Success"
        assert device.publish(f"{BASE}/driveway/command", START) == REFUSED
        assert device.publish(f"{BASE}/driveway/reading", READING) in {
            "Success", "No matching subscribers",
        }  # fmt: skip
