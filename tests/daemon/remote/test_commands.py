"""`lullwatt ask` and `lullwatt status`, with a real daemon behind a real broker."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from adapters.clocks.clock import SystemClock
from adapters.clocks.instants import parse_instant
from config.household.loading import load_household
from daemon.remote import conversation, health
from daemon.remote.time_options import TimeOptions
from tests.daemon.worlds import EVENING, KOWHAI
from tests.support.brokers import Mosquitto
from tests.support.commands import Ran
from tests.support.daemons import POINT, TOPICS, Person, RunningDaemon
from tests.support.waiting import given_time, patience, wait_until

START = "; start it with `lullwatt run FILE`, or `systemctl start lullwatt` where it is a service"

RunDaemon = Callable[..., RunningDaemon]
Meet = Callable[[Any], Person]
Run = Callable[..., Ran]


class Home:
    """A daemon that runs, hardware that listens, and a person at a command line."""

    def __init__(self, mosquitto: Mosquitto, daemon: RunningDaemon, person: Person) -> None:
        self.broker = mosquitto
        self.daemon = daemon
        self.person = person
        self.house = str(daemon.house)

    def plug_in(self) -> None:
        now = SystemClock().now().isoformat()
        self.person.say(TOPICS.reading(POINT), {"at": now, "register_kwh": 1000.0, "watts": 0})
        self.person.say(TOPICS.vehicle(POINT), {"at": now, "pilot": "B", "soc_percent": 35})
        self.person.wait_for(TOPICS.status(POINT), connected=True)


@pytest.fixture(autouse=True)
def _held_to_the_contract() -> None:
    """Check no message here: these tests play daemons that break the contract."""


@pytest.fixture
def run(run: Run, monkeypatch: pytest.MonkeyPatch) -> Run:
    """Run a command that waits for its answers as long as this machine may need."""
    retained_seconds = patience(2 * conversation.RETAINED_SECONDS, most_seconds=15)
    for module in (conversation, health):
        monkeypatch.setattr(module, "RETAINED_SECONDS", retained_seconds)

    def run_patiently(command: str, *arguments: str) -> Ran:
        wait = () if "--wait" in arguments else ("--wait", f"{patience(most_seconds=300):.1f}")
        return run(command, *arguments, *wait)

    return run_patiently


@pytest.fixture
def home(mosquitto: Mosquitto, run_daemon: RunDaemon, meet: Meet) -> Home:
    person = meet(mosquitto.bus)
    daemon = run_daemon("home", mosquitto.bus)
    person.wait_for(TOPICS.status(POINT), connected=False)
    person.wait_for(TOPICS.daemon, state="online")
    return Home(mosquitto, daemon, person)


# --- ask --------------------------------------------------------------------------------------


def test_ask_is_answered(home: Home, run: Run) -> None:
    """The daemon does what was asked, and says what it will do: exit 0."""
    home.plug_in()
    ran = run("ask", home.house, "--want", "90", "--need", "60")
    assert (ran.code, ran.err) == (0, "")
    assert "and reaches 90 % by" in ran.out
    home.person.wait_for(TOPICS.plan(POINT), want_percent=90.0)


def test_ask_previews(home: Home, run: Run) -> None:
    """`--preview` prints what would happen; nothing is asked for."""
    home.plug_in()
    ran = run("ask", home.house, "--want", "90", "--preview", "--json")
    assert (ran.code, ran.err) == (0, "")
    answer = json.loads(ran.out)
    assert answer["message"].startswith("Preview: nothing has changed.")
    assert (answer["preview"], answer["departures"][0]["effect"]) == (True, "changed")
    assert answer["energy_kwh"] > 0
    assert home.person.last(TOPICS.status(POINT))["wishes"] == []
    ran = run("ask", home.house, "--preview")
    assert (ran.code, ran.out) == (2, "")


def test_wishes_for_two_days_are_listed_and_cancelled_one_by_one(home: Home, run: Run) -> None:
    """`status` names each with its id; `ask --remove` takes one back, or says that it can't."""
    home.plug_in()
    far = SystemClock().now() + timedelta(days=20)
    assert run("ask", home.house, "--need", "90").code == 0
    ran = run("ask", home.house, "--need", "100", "--by", far.isoformat())
    assert (ran.code, ran.err) == (0, "")
    assert re.search(r" Before .+, \d+ more departures stay as they are\.", ran.out)

    def listed() -> list[str]:
        return [wish["id"] for wish in home.person.last(TOPICS.status(POINT))["wishes"]]

    wait_until(lambda: listed() == ["1", "2"], what="both wishes in the status")
    shown = run("status", home.house).out
    assert "  wish 1          hatchback: 90 % needed by " in shown
    assert "  wish 2          hatchback: 100 % needed by " in shown
    cancelled = run("ask", home.house, "--remove", "1").out
    assert cancelled.startswith(f"{POINT}: Wish 1 is cancelled. ")
    wait_until(lambda: listed() == ["2"], what="one wish in the status")
    ran = run("ask", home.house, "--remove", "1")
    assert (ran.code, ran.out) == (2, "")
    assert ran.err == f"{POINT}: not obeyed: remove: expected one of 2, got '1'\n"


def test_ask_to_charge_now_and_to_take_it_back(home: Home, run: Run) -> None:
    """A start is commanded, and then a stop or whatever the plan wants."""
    home.plug_in()
    ran = run("ask", home.house, "--now")
    assert (ran.code, ran.err) == (0, "")
    assert ran.out.startswith(f"{POINT}: Charges now at 32 A")
    home.person.wait_for(TOPICS.command(POINT), why="a person asked to charge now")
    assert run("ask", home.house, "--clear").code == 0
    asked = "a person asked to charge now"
    wait_until(lambda: home.person.last(TOPICS.command(POINT))["why"] != asked, what="taken back")


def test_ask_to_skip_in_json(home: Home, run: Run) -> None:
    """--json prints the answer as the bus carries it, and nothing else."""
    home.plug_in()
    ran = run("ask", home.house, "--skip-until", "12:00", "--json")
    assert (ran.code, ran.err) == (0, "")
    answer = json.loads(ran.out)
    home.person.wait_for(TOPICS.answer(POINT), id=answer["id"])  # it may hear it a moment later
    assert answer == home.person.last(TOPICS.answer(POINT))
    assert answer["understood"] is True
    assert "Nothing is charged before" in answer["message"]


@pytest.mark.parametrize("as_json", [False, True])
def test_a_refusal_is_an_error(home: Home, run: Run, *, as_json: bool) -> None:
    """The reason on standard error, exit 2; --json also prints the answer."""
    past = ["--want", "80", "--by", "2020-01-01T00:00:00Z", *(["--json"] if as_json else [])]
    ran = run("ask", home.house, *past)
    assert ran.code == 2
    then = datetime(2020, 1, 1, tzinfo=UTC).astimezone(load_household(Path(home.house)).zone)
    assert ran.err == f"{POINT}: not obeyed: by: {then:%Y-%m-%d %H:%M} has passed\n"
    assert json.loads(ran.out)["understood"] is False if as_json else ran.out == ""


def test_a_request_that_comes_twice_is_answered_twice(home: Home) -> None:
    """A redelivered request does no harm, and is answered again."""
    home.plug_in()
    for _ in range(2):
        home.person.say(TOPICS.request(POINT), {"id": "7", "want_percent": 70})
    wait_until(lambda: len(home.person.on(TOPICS.answer(POINT))) == 2, what="two answers")
    first, second = (answer["message"] for answer in home.person.on(TOPICS.answer(POINT)))
    assert "reaches 70 %" in first
    assert "reaches 70 %" in second


def test_a_request_without_an_id_is_carried_out_without_an_answer(home: Home) -> None:
    """Without an id there is no answer."""
    home.plug_in()
    home.person.say(TOPICS.request(POINT), {"charge_now": True})
    home.person.wait_for(TOPICS.command(POINT), do="start")
    assert home.person.on(TOPICS.answer(POINT)) == []


USAGE = [
    ([], "expected something to ask for"),
    (["--by", "06:30"], "--by: expected --want or --need beside it"),
    (
        ["--now", "--clear"],
        "--skip-until, --stop, --clear, got --now, --clear",
    ),
    (["--in", "1h"], "--in: expected --want or --need beside it"),
    (["--want", "80", "--in", "1h", "--by", "06:30"], "expected at most one of --by, --in, got"),
    (["--want", "80", "--in", "soon"], "--in: expected a duration such as 90min, 1h or 1h30"),
    (["--stop", "--now"], "--stop, --clear, got --now, --stop"),
    (["--away", "sunday"], "--away: expected a time such as 14:00 (the next one), 'sat 08:00',"),
    (["--want", "101"], "--want: expected 0 to 100 percent, got '101'"),
    (["--want", "50", "--need", "60"], "--want: expected at least the 60 of --need, got 50"),
    (["--want", "80", "--by", "25:00"], "--by: expected a time such as 14:00 (the next one),"),
    (["--vehicle", "van"], "--vehicle: expected one of hatchback, got 'van'"),
    (["--now", "--charge-point", "shed"], "--charge-point: expected one of driveway, got 'shed'"),
]


@pytest.mark.parametrize(("arguments", "why"), USAGE)
def test_bad_usage_needs_no_broker(run: Run, arguments: list[str], why: str) -> None:
    """Senseless options are refused in one line, exit 2, before anything is sent."""
    ran = run("ask", str(KOWHAI), *arguments)
    assert (ran.code, ran.out) == (2, "")
    [line] = ran.err.splitlines()
    assert why in line


@pytest.mark.parametrize(
    ("text", "instant"),
    [
        ("06:30", "2026-06-03T18:30:00+00:00"),  # tomorrow morning; it is 18:30 now
        ("6:30", "2026-06-03T18:30:00+00:00"),
        ("18:30", "2026-06-04T06:30:00+00:00"),  # that is now; the next one is meant
        ("18:31", "2026-06-03T06:31:00+00:00"),
        ("2026-06-05T06:30:00+12:00", "2026-06-04T18:30:00+00:00"),
        ("sat 08:00", "2026-06-05T20:00:00+00:00"),
        ("2026-06-05 06:30", "2026-06-04T18:30:00+00:00"),
        ("2026-06-05", "2026-06-04T19:20:00+00:00"),  # that day's departure, at 07:20
    ],
)
def test_times_are_read_by_the_homes_clock(text: str, instant: str) -> None:
    """A time of day means the next instant at which the home's clock shows it."""
    times = TimeOptions(load_household(KOWHAI), "hatchback", EVENING)
    assert times.instant("--by", text) == instant
    assert times.remarks == []


def test_a_duration_is_counted_from_now() -> None:
    """An hour from 18:30."""
    times = TimeOptions(load_household(KOWHAI), "hatchback", EVENING)
    assert times.after("--in", "1h") == "2026-06-03T07:30:00+00:00"
    assert times.after("--in", None) is None


@pytest.mark.parametrize(
    ("text", "instant", "remark"),
    [
        ("2026-09-27 02:30", "2026-09-26T14:30:00+00:00", "The clock never shows 02:30"),
        ("2027-04-04 02:30", "2027-04-03T13:30:00+00:00", "The clock shows 02:30"),
    ],
)
def test_a_time_that_the_clock_shows_twice_or_never_is_resolved_and_said(
    text: str, instant: str, remark: str
) -> None:
    """Summer time in New Zealand begins on 27 September 2026 and ends on 4 April 2027."""
    times = TimeOptions(load_household(KOWHAI), "hatchback", EVENING)
    assert times.instant("--by", text) == instant
    [said] = times.remarks
    assert said.startswith(f"--by: {remark} on Sunday {text[:10]}")


def test_ask_to_stop_and_to_be_away(home: Home, run: Run) -> None:
    """`status` lists both; --clear takes them back."""
    home.plug_in()
    ran = run("ask", home.house, "--stop")
    assert (ran.code, ran.err) == (0, "")
    assert "Nothing is charged before" in ran.out
    far = SystemClock().now() + timedelta(days=20)
    ran = run("ask", home.house, "--away", f"{far:%Y-%m-%d} 12:00")
    assert (ran.code, ran.err) == (0, "")
    assert f"{POINT}: Away until" in ran.out
    wait_until(lambda: "away_until" in home.person.last(TOPICS.status(POINT)), what="the status")
    shown = run("status", home.house).out
    assert "  no charging     until " in shown
    assert "  away            until " in shown
    assert run("ask", home.house, "--clear").code == 0
    wait_until(
        lambda: "away_until" not in home.person.last(TOPICS.status(POINT)), what="taken back"
    )


def test_how_a_time_was_read_is_said_on_standard_error(run: Run) -> None:
    """So that --json stays one document. The clock goes back on 4 April 2027."""
    ran = run("ask", str(KOWHAI), "--away", "2027-04-04 02:30", "--wait", "0.1")
    assert (ran.code, ran.out) == (4, "")
    assert ran.err.startswith("--away: The clock shows 02:30 on Sunday 2027-04-04 twice: the first")


# --- no broker or no daemon -------------------------------------------------------------------


@pytest.mark.parametrize("command", [["ask", "--now"], ["status"]])
def test_no_broker(
    run: Run, run_daemon: RunDaemon, make_mosquitto: Callable[..., Mosquitto], command: list[str]
) -> None:
    """A missing broker is reported in one line, with exit 4."""
    broker = make_mosquitto()
    house = str(run_daemon("home", broker.bus).house)
    ran = given_time(
        lambda seconds: run(command[0], house, *command[1:], "--wait", f"{seconds}"),
        lambda ran: "does not answer" not in ran.err,  # it has heard that nothing listens
        0.5,
    )
    assert (ran.code, ran.out) == (4, "")
    assert ran.err == f"no broker: nothing listens at 127.0.0.1:{broker.port}\n"


@pytest.fixture
def left(mosquitto: Mosquitto, run_daemon: RunDaemon, meet: Meet) -> Home:
    """Return a home whose daemon has stopped."""
    daemon = run_daemon("home", mosquitto.bus)
    daemon.stop()
    return Home(mosquitto, daemon, meet(mosquitto.bus))


LONG_AGO = {"at": "2026-06-03T06:30:00Z", "stale_after": "2026-06-03T06:35:00Z"}


NO_DAEMON: list[tuple[bytes, str]] = [
    (b"", "no daemon of Kowhai Cottage is known at the broker"),
    (b"{", "no daemon of Kowhai Cottage is known at the broker"),
    (b'{"v": 1, "state": "offline"}', "the daemon of Kowhai Cottage is offline"),
    (
        json.dumps({"v": 1, "state": "online", **LONG_AGO}).encode(),
        "no message has come from the daemon of Kowhai",
    ),
    (b'{"v": 1, "state": "waiting"}', "the daemon of Kowhai Cottage is waiting until the clock"),
]


def _says(why: str, ran: Ran) -> bool:
    return why in ran.err


def _ran_within(
    run: Run, monkeypatch: pytest.MonkeyPatch, command: tuple[str, ...], seconds: float
) -> Ran:
    """Run a command that waits so long for retained messages: all of it, if one is missing."""
    for module in (conversation, health):
        monkeypatch.setattr(module, "RETAINED_SECONDS", seconds)
    return run(*command)


def test_no_daemon(left: Home, run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    """A missing daemon is reported with exit 4; no request is left for it."""
    for payload, why in NO_DAEMON:
        left.person._bus.publish(TOPICS.daemon, payload, retain=True)
        left.person._bus.wait_acknowledged(patience(5))
        for command in (("ask", left.house, "--now"), ("status", left.house)):
            ran = given_time(
                partial(_ran_within, run, monkeypatch, command), partial(_says, why), 0.5
            )
            assert ran.code == 4
            [line] = ran.err.splitlines()
            assert why in line
        assert left.person.heard.payloads(TOPICS.request(POINT)) == []


# --- status -----------------------------------------------------------------------------------


def test_status_when_all_is_well(home: Home, run: Run) -> None:
    """All rows are shown, with exit 0."""
    home.plug_in()
    ran = run("status", home.house)
    assert (ran.code, ran.err) == (0, "")
    lines = ran.out.splitlines()
    assert lines[0].startswith("Kowhai Cottage: the daemon has been running since ")
    assert lines[1] == POINT
    rows = {line[2:18].strip(): line[18:] for line in lines[2:]}
    assert rows["vehicle"] == "hatchback, connected"
    assert rows["state of charge"] == "35 %, reported by the vehicle just now"
    assert rows["alerts"] == "none"
    assert rows["rates"] == "Three-band, known"
    assert "kWh for NZD" in rows["plan"]


def test_status_in_json(home: Home, run: Run) -> None:
    """The same as one document, with the messages as the bus carries them."""
    home.plug_in()
    ran = run("status", home.house, "--json")
    assert (ran.code, ran.err) == (0, "")
    document = json.loads(ran.out)
    assert (document["household"], document["well"]) == ("Kowhai Cottage", True)
    assert document["daemon"]["instance"] == home.daemon.name
    assert document["charge_points"][POINT]["status"] == home.person.last(TOPICS.status(POINT))
    assert document["charge_points"][POINT]["plan"] == home.person.last(TOPICS.plan(POINT))
    since = parse_instant(document["daemon"]["since"])
    assert abs(SystemClock().now() - since) < timedelta(seconds=patience(60))


def test_status_with_an_alert(mosquitto: Mosquitto, run: Run, run_daemon: RunDaemon) -> None:
    """If nothing listens to commands there is an alert: exit 4, with its code."""
    daemon = run_daemon("home", mosquitto.bus)
    ran = Ran(0, "", "")

    def names_it() -> bool:
        nonlocal ran
        ran = run("status", str(daemon.house))
        return "nobody-listens" in ran.err

    wait_until(names_it, what="the alert")
    assert (ran.code, ran.err) == (4, f"{POINT}: nobody-listens\n")
    assert "alerts          nobody-listens" in ran.out


def test_a_health_check_prints_nothing_when_all_is_well(home: Home, run: Run) -> None:
    """--quiet: the exit code alone."""
    assert run("status", home.house, "--quiet") == Ran(0, "", "")


def test_a_daemon_that_does_not_answer(left: Home, run: Run) -> None:
    """It is online, and somebody gets the request, but no answer comes."""
    until = (SystemClock().now() + timedelta(minutes=5)).isoformat()
    left.person.say(TOPICS.daemon, {"state": "online", "stale_after": until}, retain=True)
    left.person._bus.wait_acknowledged(patience(5))
    ran = given_time(
        lambda seconds: run("ask", left.house, "--now", "--wait", f"{seconds}"),
        lambda ran: "has not answered" in ran.err,  # the daemon's state has reached it
        0.5,
    )
    assert (ran.code, ran.out) == (4, "")
    assert re.fullmatch(
        r"the daemon is online but has not answered in [\d.]+ s; your request may still count:"
        r" see `lullwatt status`\n",
        ran.err,
    )


def test_a_health_check_can_ignore_alerts(left: Home, run: Run) -> None:
    """--alive: alerts are no reason to restart a running daemon."""
    until = (SystemClock().now() + timedelta(minutes=5)).isoformat()
    now = {"at": SystemClock().now().isoformat(), "stale_after": until}
    left.person.say(TOPICS.daemon, {"state": "online", **now}, retain=True)
    alert = {"connected": False, "charging": False, "alerts": ["no-power"], **now}
    left.person.say(TOPICS.status(POINT), alert, retain=True)
    left.person._bus.wait_acknowledged(patience(5))
    assert run("status", left.house, "--quiet") == Ran(4, "", f"{POINT}: no-power\n")
    assert run("status", left.house, "--quiet", "--alive") == Ran(0, "", "")
    left.person.say(TOPICS.daemon, {"state": "offline"}, retain=True)
    left.person._bus.wait_acknowledged(patience(5))
    ran = run("status", left.house, "--quiet", "--alive")
    assert ran == Ran(4, "", f"the daemon of Kowhai Cottage is offline{START}\n")


def test_quiet_and_json_exclude_each_other(run: Run) -> None:
    """--quiet prints nothing, --json one document; both at once are refused."""
    ran = run("status", str(KOWHAI), "--quiet", "--json")
    assert (ran.code, ran.out) == (2, "")
    assert "expected either --quiet or --json, got both" in ran.err


@pytest.mark.parametrize("is_there", [True, False])
def test_status_that_is_old_or_missing(
    left: Home, run: Run, monkeypatch: pytest.MonkeyPatch, *, is_there: bool
) -> None:
    """An old status and a missing one are both reported, with exit 4."""
    until = (SystemClock().now() + timedelta(minutes=5)).isoformat()
    left.person.say(TOPICS.daemon, {"state": "online", "stale_after": until}, retain=True)
    status = {"v": 1, "connected": False, "charging": False, **LONG_AGO}
    old = json.dumps(status).encode() if is_there else b""
    left.person._bus.publish(TOPICS.status(POINT), old, retain=True)
    left.person._bus.wait_acknowledged(patience(5))
    then = EVENING.astimezone(load_household(Path(left.house)).zone)
    why = f"old, from {then:%a %d %b %H:%M}" if is_there else "missing"
    ran = given_time(
        partial(_ran_within, run, monkeypatch, ("status", left.house, "--json")),
        partial(_says, why),
        0.5,
    )
    assert (ran.code, ran.err) == (4, f"{POINT}: its status is {why}\n")
    assert json.loads(ran.out)["faults"] == [f"{POINT}: its status is {why}"]
