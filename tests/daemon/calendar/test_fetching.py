"""The whole command `fetch-calendars` against a real server: what it keeps, says and refuses."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from adapters.feeds import client
from daemon.fetching.last_time import LastTime, read_last_time, write_last_time
from tests.daemon.sites import household_file
from tests.support.commands import Ran
from tests.support.price_servers import Exchange, PriceServer, price_server

Run = Callable[..., Ran]
ADDRESS_KEY = "private-4711"
GOOD = (
    "BEGIN:VCALENDAR\r\nVERSION:2.0\r\n"
    "BEGIN:VEVENT\r\nUID:1\r\nDTSTART:20200101T080000Z\r\nRRULE:FREQ=YEARLY\r\nSUMMARY:Car 90 %\r\n"
    "LOCATION:Ward 7\r\nEND:VEVENT\r\n"
    "BEGIN:VEVENT\r\nUID:2\r\nDTSTART:20200101T080000Z\r\nSUMMARY:Doctor\r\nEND:VEVENT\r\n"
    "END:VCALENDAR\r\n"
)
COPY = Path("family.ics")


class Calendar:
    """What the server answers."""

    def __init__(self) -> None:
        self.answer: Callable[[Exchange], None] = self.good
        self.text = GOOD

    def good(self, exchange: Exchange) -> None:
        tag = f'"{len(self.text)}"'
        if exchange.headers.get("If-None-Match") == tag:
            exchange.begin(304, ETag=tag)
        else:
            exchange.reply(self.text, ETag=tag)

    def __call__(self, exchange: Exchange) -> None:
        self.answer(exchange)


@pytest.fixture
def calendar(monkeypatch: pytest.MonkeyPatch) -> Calendar:
    monkeypatch.setattr(client, "WAITS_SECONDS", ())
    return Calendar()


@pytest.fixture
def server(
    calendar: Calendar, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[PriceServer]:
    """Run a server, with a household beside it in the test's own folder."""
    monkeypatch.chdir(tmp_path)
    with price_server(calendar) as server:
        declare("url_file: address")
        Path("address").write_text(f"{server.url}/{ADDRESS_KEY}/family.ics\n")
        Path("address").chmod(0o600)
        yield server


def declare(source: str, words: str = "car") -> None:
    declared = f"calendars:\n  family: {{file: family.ics, {source}, words: {words}}}\n\nbus:"
    household_file(Path(), ("bus:", declared))


@pytest.fixture
def fetch(run: Run, server: PriceServer) -> Run:  # noqa: ARG001 - it must be there
    def fetch_calendars(*arguments: str) -> Ran:
        ran = run("fetch-calendars", "house.yaml", *arguments)
        assert ADDRESS_KEY not in ran.out + ran.err
        return ran

    return fetch_calendars


def test_only_what_matters_is_kept(fetch: Run, server: PriceServer) -> None:
    """Neither other events nor places are; the copy is no one else's to read."""
    if os.geteuid() == 0:
        os.chown(".", -1, 54321)
    ran = fetch()
    assert COPY.stat().st_gid == Path().stat().st_gid
    assert (ran.code, ran.err) == (0, "")
    assert ran.out == "family: keeps 1 event of the year ahead.\n"
    kept = COPY.read_text("utf-8")
    assert "SUMMARY:Car 90 %" in kept
    assert "Doctor" not in kept
    assert "Ward" not in kept
    assert COPY.stat().st_mode & 0o777 == 0o640
    assert ADDRESS_KEY not in kept + Path("family.ics.fetched").read_text("utf-8")
    assert server.asked[0].headers["Accept"].startswith("text/calendar")


def test_what_has_not_changed_is_not_sent_again(fetch: Run, server: PriceServer) -> None:
    """It is good news all the same; with other words, or without the copy, all is asked for."""
    fetch()
    before = read_last_time(COPY).good_at
    ran = fetch()
    assert ran.out == "family: nothing has changed.\n"
    after = read_last_time(COPY).good_at
    assert before is not None
    assert after is not None
    assert after > before
    declare("url_file: address", words="[car, doctor]")
    assert fetch().out == "family: keeps 1 event of the year ahead.\n"
    assert "If-None-Match" not in server.asked[-1].headers
    assert "Doctor" in COPY.read_text("utf-8")
    COPY.unlink()
    fetch()
    assert COPY.exists()


def slow(exchange: Exchange) -> None:
    exchange.begin(Content_Length="100000")
    while not exchange.closing.wait(0.05):
        exchange.handler.wfile.write(b"x")


@pytest.mark.parametrize(
    ("answer", "says"),
    [
        (lambda it: it.reply("busy", 500), "127.0.0.1 has a fault or is busy (status 500)"),
        (lambda it: it.reply("gone", 404), "127.0.0.1 has no such calendar (status 404)"),
        (lambda it: it.reply("no", 401), "refuses the request (status 401)"),
        (lambda it: it.begin(302, Location="https://elsewhere.example/x"), "to another server"),
        (lambda it: it.reply(b"x" * 5_000_001), "is larger than 5 MB"),
        (slow, "did not answer in time"),
        (lambda it: it.reply("<html>Sign in</html>"), "is refused: expected a calendar"),
        (lambda it: it.reply(GOOD[:-20]), "is refused: it is cut off"),
        (lambda it: it.reply(b"BEGIN:VCALENDAR\r\nX:\xff\r\nEND:VCALENDAR\r\n"), "expected UTF-8"),
    ],
    ids=["500", "404", "401", "redirect", "huge", "slow", "html", "cut", "bytes"],
)
def test_the_copy_stays(
    fetch: Run,
    calendar: Calendar,
    answer: Callable[[Exchange], None],
    says: str,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Whatever comes instead of a calendar changes nothing, and is said, with exit code 5."""
    good_at = datetime(2026, 11, 29, tzinfo=UTC)
    COPY.write_text("the copy")
    write_last_time(COPY, LastTime(good_at=good_at))
    calendar.answer = answer
    if answer is slow:
        monkeypatch.setattr(client, "TRY_SECONDS", 0.5)
    ran = fetch()
    assert ran.code == 5
    assert says in ran.err
    last = read_last_time(COPY)
    assert (COPY.read_text(), last.good_at) == ("the copy", good_at)
    assert says in last.failure


def test_a_calendar_without_its_address_hinders_no_other(fetch: Run) -> None:
    """The first one's file with the address is missing; the second is fetched all the same."""
    both = "\n".join(
        f"  {name}: {{file: {name}.ics, url_file: {source}, words: car}}"
        for name, source in (("work", "missing"), ("family", "address"))
    )
    household_file(Path(), ("bus:", f"calendars:\n{both}\n\nbus:"))
    ran = fetch()
    assert (ran.code, ran.out) == (2, "family: keeps 1 event of the year ahead.\n")
    assert ran.err.startswith("missing:1:1: ")
    assert COPY.exists()


def test_an_address_in_the_open_of_the_kind_that_programs_show(
    run: Run, server: PriceServer
) -> None:
    """`webcal:` is answered with what to write; a calendar without an address with what lacks."""
    declare('url: "webcal://example.org/family.ics"')
    ran = run("fetch-calendars", "house.yaml")
    assert ran.code == 2
    assert "expected https:// in place of webcal://: it is the same address" in ran.err
    declare(f'url: "{server.url}/family.ics"')
    assert run("fetch-calendars", "house.yaml", "--dry-run").out == (
        "family: would keep 1 event of the year ahead.\n"
    )
    assert not COPY.exists()
    declare("need_percent: 50")
    ran = run("fetch-calendars", "house.yaml")
    assert (ran.code, "expected url or url_file" in ran.err) == (2, True)
