"""Break in at the page and the door for charge points, and see that the daemon does not feel it.

`make break-in`.

A real broker, a real daemon with a vehicle that is plugged in, and the page as a process of its
own. Prints what was tried, what came of it, and figures; ends with 1 if anything is wrong.
"""

from __future__ import annotations

import re
import sys
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from functools import partial
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory
from threading import Event
from time import monotonic
from typing import TYPE_CHECKING, Final, TypeVar

import structlog

from adapters.clocks.clock import SystemClock
from daemon.page.devices import CODE_ALPHABET, CODE_LENGTH, MOST_OFFERS
from daemon.page_service.pairing import MOST_INVITED
from tests.break_in.browser import Browser, Reply, connect, send
from tests.break_in.charge_points import VERSIONS, DoorCampaign, with_ocpp
from tests.break_in.page import PageProcess
from tests.support.brokers import Mosquitto, free_port
from tests.support.daemons import POINT, TOPICS, Person, RunningDaemon
from tests.support.ocpp_equipment import PASSWORD

if TYPE_CHECKING:
    from collections.abc import Callable

T = TypeVar("T")

ATTEMPTS: Final = 10_000
STRANGERS: Final = 100
AT_ONCE: Final = 32
PHONES: Final = 100
SLOW: Final = 150
BODY_BYTES: Final = 100_000_000
WATCHED_SECONDS: Final = 10.0
MOST_MB_MORE: Final = 12.0
MOST_ANSWER_SECONDS: Final = 2.0
MOST_VIEW_SECONDS: Final = 1.0
SECONDS_A_YEAR: Final = 365.25 * 24 * 3600

TARGETS: Final = (
    "/../../../../etc/passwd", "/%2e%2e/%2e%2e/etc/passwd", "/..%2f..%2f..%2fetc/passwd",
    "/static/../devices.json", "/style.css/../../devices.json", "/style.css%00.po", "//etc/passwd",
    "/%c0%ae%c0%ae/etc/passwd", "/catalogues/de.po", "/templates/base.html.j2", "/devices.json",
    "http://evil.example/", "/?" + "x" * 60_000, "/" + "%41" * 20_000, "*", "/\x01", "/%",
)  # fmt: skip
"""Ways out of the folder of style and script, and targets that no browser sends."""

ODD_REQUESTS: Final = {
    "two lengths": "POST / HTTP/1.1\r\nHost: {host}\r\nContent-Length: 1\r\nContent-Length: 9\r\n",
    "length and chunks": (
        "POST / HTTP/1.1\r\nHost: {host}\r\nContent-Length: 4\r\nTransfer-Encoding: chunked\r\n"
    ),
    "1,000 headers": "GET / HTTP/1.1\r\nHost: {host}\r\n" + "X-A: b\r\n" * 1000,
    "a header of 1 MB": "GET / HTTP/1.1\r\nHost: {host}\r\nX-A: " + "b" * 1_000_000 + "\r\n",
    "no HTTP": "\x16\x03\x01 hello\r\n",
    "two hosts": "GET / HTTP/1.1\r\nHost: {host}\r\nHost: evil.example\r\nConnection: close\r\n",
}


class Campaign:
    """A page under attack, a phone that is paired, and what was found wrong."""

    def __init__(self, page: PageProcess, person: Person) -> None:
        self.wrong: list[str] = []
        self._page = page
        self._person = person
        self._asked = 0
        self._phone = Browser(page.port)
        self._require(self._phone.pair(page.code()).status == 303, "the first phone is paired")
        view = median(self._seconds(self._view) for _ in range(9))
        self._rest = page.memory_mb()
        _say(f"at rest: {self._rest[0]:.1f} MB resident, {self._rest[1]:.1f} MB of it its own")
        _say(f"a view takes {view * 1000:.0f} ms; the daemon answers in {self._answer():.2f} s")

    def strangers(self) -> None:
        """Try without a cookie, with a foreign name, origin or key, and what was used before."""
        phone, stranger, code = (
            self._phone,
            Browser(self._page.port, "127.0.0.2"),
            self._page.code(),
        )
        Browser(self._page.port, "127.0.0.3").pair(code)
        guest, key = Browser(self._page.port, "127.0.0.6"), phone.key()
        guest.pair(self._page.code("look"))
        form = {"kind": "now", "point": POINT, "key": key}
        invite = {"role": "ask", "key": key}
        offered = phone.post("/devices/invite", invite).text
        [invited] = re.findall(r'class="code">([A-Z2-9-]{14})<', offered)
        for name, reply, status in (
            ("no cookie", stranger.get("/"), 303),
            ("a guessed cookie", stranger.get("/", Cookie="device=" + "A" * 43), 303),
            ("a foreign Host", phone.get("/", Host="evil.example"), 421),
            ("a form without its key", phone.post("/wish", {"kind": "now", "point": POINT}), 403),
            ("a foreign Origin", phone.post("/wish", form, Origin="http://evil.example"), 403),
            ("no Origin", phone.post("/wish", form, Origin=""), 403),
            ("a used code", stranger.pair(code), 403),
            ("a code of the page", Browser(self._page.port, "127.0.0.7").pair(invited), 303),
            ("the same again", stranger.pair(invited), 403),
            ("inviting without a cookie", stranger.post("/devices/invite", invite), 303),
            ("inviting without the key", phone.post("/devices/invite", {"role": "ask"}), 403),
            (
                "inviting from a foreign Origin",
                phone.post("/devices/invite", invite, Origin="http://evil.example"),
                403,
            ),
            ("inviting by a link", phone.get("/devices/invite?role=ask"), 404),
            (
                "inviting by who may only look",
                guest.post("/devices/invite", {"role": "ask", "key": guest.key("/devices")}),
                303,
            ),
        ):
            self._require(reply.status == status, f"{name}: {reply.status}")
            self._require('class="code"' not in reply.text, f"{name}: shows a code")
            _say(f"{name}: {reply.status}")
        made = [phone.post("/devices/invite", invite).status for _ in range(20)]
        self._require(made.count(200) < MOST_INVITED, f"20 invitations: {Counter(made)}")
        _say(f"20 invitations by one phone: {_counted(Counter(made))}")

    def targets(self) -> None:
        """Ask for what is not the page's, and in ways that no browser knows."""
        host, found = f"127.0.0.1:{self._page.port}", Counter[int]()
        raw = [self._phone.head("GET", target, {}) + b"\r\n" for target in TARGETS]
        raw += [f"{text.format(host=host)}\r\n".encode() for text in ODD_REQUESTS.values()]
        for each in raw:
            reply = send(self._page.port, each, "127.0.0.4")
            found[reply.status] += 1
            self._require(reply.status != 500, f"{each[:60]!r}: 500")
            for secret in ("root:", "token_sha256", "msgstr", "{%"):
                self._require(secret not in reply.text, f"{each[:60]!r}: shows {secret}")
        _say(f"{len(TARGETS)} odd targets, {len(ODD_REQUESTS)} odd requests: {_counted(found)}")

    def large_bodies(self) -> None:
        """Send 100 MB, with and without saying so before."""
        part = b"1000\r\n" + b"x" * 4096 + b"\r\n"
        head = {"Content-Type": "application/x-www-form-urlencoded", "Origin": self._phone.origin}
        for name, headers, body in (
            ("100 MB", {"Content-Length": str(BODY_BYTES)}, b"x" * BODY_BYTES),
            ("100 MB in chunks", {"Transfer-Encoding": "chunked"}, part * (BODY_BYTES // 4096)),
        ):
            raw = self._phone.head("POST", "/wish", head | headers) + b"\r\n" + body
            reply, seconds = self._timed(partial(send, self._page.port, raw, "127.0.0.5"))
            self._require(reply.status in {0, 413}, f"{name}: {reply.status}")
            _say(f"{name}: {reply.status or 'closed'} after {seconds:.2f} s; {self._more()}")

    def guesses(self) -> None:
        """Guess codes: half from one address, half from a hundred; meanwhile a phone is paired."""
        for strangers in (1, STRANGERS):
            addresses = [f"127.1.0.{1 + number}" for number in range(strangers)]
            count, began = ATTEMPTS // 2, monotonic()

            def guess(number: int, addresses: list[str] = addresses) -> int:
                browser = Browser(self._page.port, addresses[number % len(addresses)])
                return browser.pair(f"{number:012}").status

            with ThreadPoolExecutor(AT_ONCE) as pool:
                tried = pool.map(guess, range(count))
                right, waited = self._timed(self._pair_another)
                found = Counter(tried)
            seconds = monotonic() - began
            self._require(right.status == 303, f"a right code meanwhile: {right.status}")
            self._require(set(found) <= {0, 403, 429}, f"guesses: {_counted(found)}")
            rate = max(found[403], 1) / seconds
            years = len(CODE_ALPHABET) ** CODE_LENGTH / MOST_OFFERS / 2 / rate / SECONDS_A_YEAR
            _say(f"{count:,} guesses from {strangers} addresses in {seconds:.0f} s:"
                 f" {_counted(found)} (looked at: 403); half of all codes would take {years:.1g}"
                 f" years with {MOST_OFFERS} codes good all the time; a right one meanwhile:"
                 f" {waited:.1f} s; {self._more()}")  # fmt: skip

    def slow_clients(self) -> None:
        """Open many connections that send a byte now and then; the phone is served all the same."""
        pause = Event()
        with ExitStack() as ending:
            slow = []
            for number in range(SLOW):
                slow.append(
                    ending.enter_context(connect(self._page.port, f"127.2.0.{number % 50 + 1}"))
                )
                slow[-1].sendall(b"POST /pair HTTP/1.1\r\nHost: x\r\nX-")
            views = []
            for _ in range(5):
                for each in slow:
                    try:
                        each.sendall(b"a")
                    except OSError:  # closed by the page
                        continue
                views.append(self._seconds(self._view))
                pause.wait(0.5)
            self._require(max(views) < MOST_VIEW_SECONDS, f"views beside them: {max(views):.2f} s")
            _say(f"{SLOW} slow clients: a view takes {max(views) * 1000:.0f} ms at most;"
                 f" {self._more()}")  # fmt: skip

    def open_phones(self) -> None:
        """Keep 100 pages open; the daemon and a further phone are as quick as before."""
        raw = self._phone.head("GET", "/live", {"Connection": "keep-alive"}) + b"\r\n"
        with ExitStack() as ending:
            for number in range(PHONES):
                phone = ending.enter_context(connect(self._page.port, f"127.3.0.{number % 50 + 1}"))
                phone.sendall(raw)
                got = b""
                while b"event: view" not in got and (part := phone.recv(65536)):
                    got += part
                self._require(b"event: view" in got, f"phone {number} sees nothing")
            before = self._page.cpu_seconds()
            Event().wait(WATCHED_SECONDS)
            used = (self._page.cpu_seconds() - before) / WATCHED_SECONDS
            _say(f"{PHONES} open phones: {used:.1%} of a core; a view takes"
                 f" {self._seconds(self._view) * 1000:.0f} ms; the daemon answers in"
                 f" {self._answer():.2f} s; {self._more()}")  # fmt: skip

    def end(self) -> None:
        """See what is left, and that it ends."""
        more = self._page.memory_mb()[0] - self._rest[0]
        self._require(more < MOST_MB_MORE, f"{more:.1f} MB more than at rest")
        self._require("Traceback" not in self._page.log, "the log has a traceback")
        self._require(self._page.is_alive, "the page has ended")
        _say(f"at the end: {self._more()}; the log has {len(self._page.log.splitlines())} lines;"
             f" it ends in {self._page.stop():.2f} s")  # fmt: skip

    def _pair_another(self) -> Reply:
        return Browser(self._page.port, "127.0.0.9").pair(self._page.code())

    def _view(self) -> None:
        reply = self._phone.get("/")
        self._require("The hatchback will be at" in reply.text, f"the first view: {reply.status}")

    def _answer(self) -> float:
        """Return how long the daemon takes to answer a person [s]."""
        self._asked += 1
        name, began = f"asked-{self._asked}", monotonic()
        self._person.say(TOPICS.request(POINT), {"id": name, "charge_now": True, "preview": True})
        self._person.wait_for(TOPICS.answer(POINT), id=name)
        seconds = monotonic() - began
        self._require(seconds < MOST_ANSWER_SECONDS, f"the daemon answers after {seconds:.1f} s")
        return seconds

    def _more(self) -> str:
        resident = self._page.memory_mb()[0]
        return f"{resident:.1f} MB ({resident - self._rest[0]:+.1f})"

    def _seconds(self, call: Callable[[], object]) -> float:
        return self._timed(call)[1]

    @staticmethod
    def _timed(call: Callable[[], T]) -> tuple[T, float]:
        began = monotonic()
        return call(), monotonic() - began

    def _require(self, holds: bool, otherwise: str) -> None:  # noqa: FBT001 - a condition
        if not holds:
            self.wrong.append(otherwise)


def _counted(found: Counter[int]) -> str:
    parts = (f"{count} x {status or 'closed'}" for status, count in sorted(found.items()))
    return ", ".join(parts)


def _say(line: str) -> None:
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


def main() -> int:
    """Run the campaign; return 1 if anything is wrong."""
    structlog.configure(logger_factory=structlog.ReturnLoggerFactory())
    with TemporaryDirectory() as folder, ExitStack() as ending:
        broker = Mosquitto(Path(folder) / "broker")
        broker.start()
        ending.callback(broker.stop)
        person = Person(broker.bus)
        ending.callback(person.stop)
        daemon = RunningDaemon(Path(folder) / "home", broker.bus)
        ending.callback(daemon.stop)
        now = SystemClock().now().isoformat()
        person.wait_for(TOPICS.daemon, state="online")
        person.say(TOPICS.reading(POINT), {"at": now, "register_kwh": 1000.0, "watts": 0})
        person.say(TOPICS.vehicle(POINT), {"at": now, "pilot": "B", "soc_percent": 35})
        person.wait_for(TOPICS.status(POINT), connected=True)
        page = PageProcess(daemon.house)
        ending.callback(page.stop)
        campaign = Campaign(page, person)
        for attack in (
            campaign.strangers, campaign.targets, campaign.large_bodies, campaign.slow_clients,
            campaign.open_phones, campaign.guesses, campaign.end,
        ):  # fmt: skip
            attack()
    with TemporaryDirectory() as folder:
        wrong = [*campaign.wrong, *_doors(Path(folder))]
    for line in wrong:
        _say(f"wrong: {line}")
    _say(f"wrong: {len(wrong)}")
    return 1 if wrong else 0


def _doors(folder: Path) -> list[str]:
    """Break in at the door for charge points, in each version of OCPP; return what is wrong."""
    wrong, port, home = [], free_port(), folder / "home"
    password = folder / "password"
    password.write_text(PASSWORD, "utf-8")
    password.chmod(0o600)
    with ExitStack() as ending:
        broker = Mosquitto(folder / "broker")
        broker.start()
        ending.callback(broker.stop)
        person = Person(broker.bus)
        ending.callback(person.stop)
        daemon = RunningDaemon(home, broker.bus, declared=with_ocpp(port, password))
        ending.callback(daemon.stop)
        person.wait_for(TOPICS.daemon, state="online")
        for version in VERSIONS:
            door = DoorCampaign(version, port, person, home / "ledger.sqlite3", _say)
            for attack in (
                door.strangers, door.slow_strangers, door.large_frames, door.malformed,
                door.floods, door.replays, door.limits, door.guesses,
            ):  # fmt: skip
                attack()
            wrong += door.wrong
    return wrong


if __name__ == "__main__":
    sys.exit(main())
