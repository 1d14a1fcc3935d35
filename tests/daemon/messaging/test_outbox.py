"""Actions of a controller are recorded first, then published."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import timedelta
from decimal import Decimal
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import pytest
from structlog.testing import capture_logs

from adapters.contract.messages import Command, Reading, Status, decode
from config.files.errors import LedgerError, TariffError
from daemon.control.events import AnnouncePlan, Assert, CommandInForce, Issue, Note, Warn
from daemon.messaging.outbox import STATUS_EVERY, Outbox
from daemon.messaging.status import status_of
from planners.local_time.departures import night_bounds
from tests.daemon.nights.test_account import FACTS, STAY, charged
from tests.daemon.worlds import (
    EVENING,
    HERE,
    HOUR,
    MINUTE,
    NIGHT_BEGINS,
    POINT,
    RecordedBus,
    World,
    household,
    kowhai,
    topics_of,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from adapters.ledger.ledger import Ledger
    from daemon.control.events import Action, CloseNight
    from planners.plan.plan import Plan

pytestmark = pytest.mark.usefixtures("no_log")

COMMAND = CommandInForce(7, "start", 16.0, EVENING + HOUR, "hatchback@then", "because")
STOP = CommandInForce(8, "stop", None, EVENING + HOUR, None, "because")


class Out:
    """An outbox, and what it published."""

    def __init__(self, ledger: Ledger) -> None:
        self.bus = RecordedBus()
        self.box = Outbox(topics_of(kowhai()), ledger, self.bus)

    def do(self, action: Action) -> dict[str, Any] | None:
        return self.box.carry_out(POINT, action, EVENING, kowhai())


@pytest.fixture
def out(ledger: Ledger) -> Out:
    return Out(ledger)


def plan_of(soc: float = 35.0) -> AnnouncePlan:
    world = World(kowhai(), EVENING)
    world.plug_in(soc)
    return world.plans()[0]


@pytest.mark.parametrize("command", [COMMAND, STOP])
def test_a_command_is_recorded_and_published_retained(
    out: Out, ledger: Ledger, command: CommandInForce
) -> None:
    """An issued command is the last one in the ledger, and retained on its topic."""
    out.do(Issue(command))
    stored = ledger.last_command(POINT)
    assert stored is not None
    assert (stored.serial, stored.do, stored.amps) == (command.serial, command.do, command.amps)
    ((topic, payload, retain),) = out.bus.messages
    assert (topic, retain) == ("lullwatt/kowhai-cottage/driveway/command", True)
    sent = decode(Command, payload)
    assert (sent.serial, sent.do, sent.amps) == (command.serial, command.do, command.amps)
    assert (sent.valid_until, sent.plan) == (command.valid_until, command.plan)


def test_an_asserted_command_is_published_again_only(out: Out, ledger: Ledger) -> None:
    """The command in force is published again with its serial, and makes no new row."""
    out.do(Issue(COMMAND))
    out.do(Assert(COMMAND))
    assert out.bus.messages[0] == out.bus.messages[1]
    assert ledger.last_command(POINT) == ledger.last_command(POINT)


def test_a_command_that_cannot_be_recorded_is_sent_anyway(out: Out, ledger: Ledger) -> None:
    """It may be a stop: a ledger that fails must not keep a vehicle charging."""
    ledger.close()
    out.do(Issue(STOP))
    assert [command["do"] for command in out.bus.on("command")] == ["stop"]


def test_a_plan_is_recorded_and_published_retained(out: Out, ledger: Ledger) -> None:
    """The plan on the bus is the one in the ledger, as the command line prints it."""
    announced = plan_of()
    out.do(announced)
    ((topic, payload, retain),) = out.bus.messages
    assert (topic, retain) == ("lullwatt/kowhai-cottage/driveway/plan", True)
    assert json.loads(payload) == announced.plan.to_json()
    [kept] = ledger.plans_between(POINT, EVENING, EVENING + MINUTE)
    assert kept.body["made_at"] == "2026-06-03T06:30:00Z"


def test_a_night_that_cannot_be_recorded_is_not_published(out: Out, ledger: Ledger) -> None:
    """The bus never shows a night that is not in the ledger."""
    closing = close()
    ledger.close()
    with pytest.raises(LedgerError):
        out.do(closing)
    assert out.bus.messages == []


def test_a_plan_and_an_alert_are_published_anyway(out: Out, ledger: Ledger) -> None:
    """They are for people, who need them above all when the ledger fails."""
    planned = plan_of()
    ledger.close()
    out.do(planned)
    out.do(Warn("no-rate", "none"))
    assert [len(out.bus.on(leaf)) for leaf in ("plan", "alert")] == [1, 1]
    assert len(out.box.take_ledger_errors()) == 2
    assert out.box.take_ledger_errors() == []


def test_no_plan_deletes_the_retained_one(out: Out) -> None:
    """An empty retained payload is how MQTT forgets a message [MQTT-3.3.1-10]."""
    out.box.publish_plan(POINT, None)
    assert out.bus.messages == [("lullwatt/kowhai-cottage/driveway/plan", b"", True)]


def test_an_alert_is_recorded_and_published(out: Out) -> None:
    """An alert is published once, not retained, with its code and its message."""
    out.do(Warn("need-out-of-reach", "Too little time."))
    ((topic, payload, retain),) = out.bus.messages
    assert (topic, retain) == ("lullwatt/kowhai-cottage/driveway/alert", False)
    alert = json.loads(payload)
    assert (alert["code"], alert["message"]) == ("need-out-of-reach", "Too little time.")


def test_an_alert_that_cannot_be_recorded_is_published_anyway(out: Out, ledger: Ledger) -> None:
    """A person must know, above all when the ledger fails."""
    ledger.close()
    out.do(Warn("power-after-stop", "Look at it."))
    assert [alert["code"] for alert in out.bus.on("alert")] == ["power-after-stop"]


@pytest.mark.parametrize("given", [None, ["./tell", "loudly"]])
def test_an_alert_goes_to_the_users_own_command(ledger: Ledger, given: list[str] | None) -> None:
    """The command reads the alert and its place; without a command nothing is run."""
    run_with: list[tuple[Sequence[str], dict[str, Any]]] = []
    house = household(household={"on_alert": given} if given else {})
    box = Outbox(
        topics_of(house), ledger, RecordedBus(),
        run_command=lambda command, payload: run_with.append((command, json.loads(payload))),
    )  # fmt: skip
    box.carry_out(POINT, Warn("no-rate", "None."), EVENING, house)
    alert = {
        "v": 1, "code": "no-rate", "at": "2026-06-03T06:30:00Z", "message": "None.",
        "household": "Kowhai Cottage", "charge_point": POINT,
    }  # fmt: skip
    assert run_with == ([((str(HERE / "tell"), "loudly"), alert)] if given else [])


def test_a_note_goes_to_the_log(out: Out) -> None:
    """A note is written to the log with its facts, and goes nowhere else."""
    with capture_logs() as logs:
        out.do(Note("plugged-in", {"charge_point": POINT}))
    assert logs == [{"event": "plugged-in", "charge_point": POINT, "log_level": "info"}]
    assert out.bus.messages == []


# --- nights -----------------------------------------------------------------------------------


def close(**facts: object) -> CloseNight:
    world = World(kowhai(), EVENING)
    world.plug_in(35.0)
    world.wait(NIGHT_BEGINS + 11 * HOUR)
    (closing,) = world.closings()
    return replace(closing, facts=replace(FACTS, stays=(replace(STAY, **facts),)))  # type: ignore[arg-type]  # any field


def keep_readings(ledger: Ledger) -> None:
    for reading in charged(NIGHT_BEGINS, 200)[::10]:
        ledger.add_reading(POINT, reading.at, reading.register_wh)


def test_a_night_is_recorded_and_published(out: Out, ledger: Ledger) -> None:
    """A closed night is one record: returned, in the ledger, and on the bus, not retained."""
    keep_readings(ledger)
    record = out.do(close())
    assert record is not None
    assert str(record["cost"]) == "4.64"
    (stored,) = ledger.nights()
    assert stored["cost"] == record["cost"]
    ((topic, payload, retain),) = out.bus.messages
    assert (topic, retain) == ("lullwatt/kowhai-cottage/driveway/night", False)
    assert json.loads(payload)["energy_kwh"] == 24


def test_an_unchanged_night_is_not_published_again(out: Out, ledger: Ledger) -> None:
    """Closed again with nothing new, a night is neither recorded nor published twice."""
    keep_readings(ledger)
    assert out.do(close()) is not None
    assert out.do(close()) is None
    assert len(out.bus.messages) == 1
    assert out.do(close(starts=2)) is not None
    assert [night["starts"] for night in ledger.nights()] == [2]


def test_a_night_that_cannot_be_priced_is_not_recorded(ledger: Ledger) -> None:
    """If a rate is unknown, the caller gets an error, and the service tries again later."""
    house = household(tariff={"valid_from": "2030-01-01"})
    keep_readings(ledger)
    with pytest.raises(TariffError):
        Outbox(topics_of(house), ledger, RecordedBus()).carry_out(POINT, close(), EVENING, house)
    assert ledger.nights() == ()


def test_a_night_is_priced_in_the_tiers_that_the_month_has_come_to(ledger: Ledger) -> None:
    """10 kWh of June and the usual 100 left 5 of the 115 at 0.20: 5 of 24 kWh cost that.

    The baselines buy the same energy in the same tiers, so that they stay comparable.
    """
    tiers = [{"rate": 0.20, "up_to_kwh": 115}, {"rate": 0.30}]
    tariff = {"tiers_per": "month", "usual_kwh": 100, "bands": [{"name": "all", "tiers": tiers}]}
    house = household(tariff=tariff)
    ledger.add_reading(POINT, NIGHT_BEGINS - 30 * HOUR, 4_990_000)
    keep_readings(ledger)
    record = Outbox(topics_of(house), ledger, RecordedBus()).carry_out(
        POINT, close(), EVENING, house
    )
    assert record is not None
    assert [(line["rate"], line["kwh"], line["cost"]) for line in record["by_band"]] == [
        (Decimal("0.20"), 5, Decimal(1)),
        (Decimal("0.30"), 19, Decimal("5.7")),
    ]
    same = {"cost": Decimal("6.70"), "energy_kwh": Decimal(24), "outside_kwh": Decimal(0)}
    assert record["baselines"] == dict.fromkeys(("at_once", "timer", "hindsight"), same)


@pytest.mark.parametrize(
    ("is_commanded", "bands"),
    [(True, {"night": "0.240"}), (False, {"peak": "0.187", "night": "0.053"})],
)
def test_energy_between_two_readings_is_priced_where_it_was_commanded(
    ledger: Ledger, *, is_commanded: bool, bands: dict[str, str]
) -> None:
    """Read at 20:53 and 21:02, started at 21:00 with the night; without a start it is estimated."""
    for minutes, wh in ((-20, 5_000_000), (-7, 5_000_000), (2, 5_000_240), (9, 5_000_240)):
        ledger.add_reading(POINT, NIGHT_BEGINS + minutes * MINUTE, wh)
    until, before = NIGHT_BEGINS + HOUR, NIGHT_BEGINS - HOUR
    ledger.add_command(POINT, before, Command(serial=6, do="stop", valid_until=until, why="dear"))
    if is_commanded:
        start = Command(serial=7, do="start", amps=32.0, valid_until=until, why="cheap")
        ledger.add_command(POINT, NIGHT_BEGINS, start)
    record = Out(ledger).do(close())
    assert record is not None
    assert {line["band"]: str(line["kwh"]) for line in record["by_band"]} == bands
    assert record["estimated_kwh"] == (0 if is_commanded else record["energy_kwh"])


def test_a_register_that_reset_just_before_the_night_is_noticed(out: Out, ledger: Ledger) -> None:
    """It shows 0 at 11:50 and its true value at 12:01: only what flowed since 11:00 counts."""
    noon = night_bounds(FACTS.night, kowhai().file.days)[0]
    for minutes, wh in ((-60, 1_000_000), (-10, 0), (1, 1_000_100), (60, 1_000_200)):
        ledger.add_reading(POINT, noon + minutes * MINUTE, wh)
    record = out.do(close())
    assert record is not None
    assert record["energy_kwh"] < Decimal("0.3")


# --- what is believed -------------------------------------------------------------------------


def test_the_daemons_state_is_retained_and_grows_stale(out: Out) -> None:
    """`online` has an instant after which nobody should believe it."""
    out.box.publish_online(EVENING)
    ((topic, payload, retain),) = out.bus.messages
    assert (topic, retain) == ("lullwatt/kowhai-cottage/daemon", True)
    assert json.loads(payload) == {
        "v": 1,
        "state": "online",
        "at": "2026-06-03T06:30:00Z",
        "stale_after": "2026-06-03T06:35:00Z",
    }


def test_online_is_published_again_in_time(out: Out) -> None:
    """It is published again before the last one becomes stale, whatever else is published."""
    published_at = []
    for seconds in range(0, 3600, 50):
        before = len(out.bus.messages)
        out.box.publish_online(EVENING + timedelta(seconds=seconds))
        if len(out.bus.messages) > before:
            published_at.append(seconds)
    assert published_at[0] == 0
    assert all(100 < later - earlier < 300 for earlier, later in pairwise(published_at))
    assert 3600 - published_at[-1] < 300


def test_another_power_is_news_but_not_with_every_reading(out: Out) -> None:
    """By 200 W, and no sooner than five seconds after the last status."""
    world = World(kowhai(), EVENING)
    world.read()
    world.plug_in(35.0)
    first = status_of(world.state, EVENING, world.house)

    def say(watts: float, seconds: int) -> int:
        reading = Reading(at=EVENING, register_kwh=1000.0, watts=watts)
        at = EVENING + seconds * MINUTE / 60
        status = first.model_copy(update={"at": at, "reading": reading, "charging": True})
        out.box.publish_status(POINT, status)
        return len(out.bus.on("status"))

    assert say(1500.0, 0) == 1
    assert say(3600.0, 4) == 1
    assert say(3600.0, 5) == 2
    assert say(3799.0, 20) == 2
    assert say(3400.0, 21) == 3


def test_a_status_is_published_when_it_changes_or_becomes_stale(out: Out) -> None:
    """An unchanged status waits for half of its time; a changed one is published at once."""
    world = World(kowhai(), EVENING)
    world.plug_in(35.0)
    status = status_of(world.state, EVENING, world.house)

    def say(status: Status) -> int:
        out.box.publish_status(POINT, status)
        return len(out.bus.on("status"))

    assert say(status) == 1
    assert say(status.model_copy(update={"at": EVENING + MINUTE})) == 1
    assert say(status.model_copy(update={"charging": True})) == 2
    assert say(status.model_copy(update={"charging": True, "soc_percent": 35.3})) == 2
    assert say(status.model_copy(update={"charging": True, "soc_percent": 36.0})) == 3
    assert say(status.model_copy(update={"at": EVENING + STATUS_EVERY})) == 4
    out.box.forget_published()
    assert say(status.model_copy(update={"at": EVENING + STATUS_EVERY})) == 5
    assert all(retain for _, _, retain in out.bus.messages)


def test_a_plan_is_published_again_only_if_a_figure_has_changed(out: Out) -> None:
    """The instant of its figures alone is no reason; after a new connection everything is."""
    world = World(kowhai(), EVENING)
    world.plug_in(35.0)
    plan = world.state.plan
    assert plan is not None

    def refresh(plan: Plan) -> int:
        out.box.refresh_plan(POINT, plan)
        return len(out.bus.on("plan"))

    out.box.publish_plan(POINT, plan)
    assert refresh(plan) == 1
    assert refresh(replace(plan, as_of=EVENING + MINUTE)) == 1
    assert refresh(replace(plan, as_of=EVENING + MINUTE, energy_kwh=20.0)) == 2
    out.box.forget_published()
    now = replace(plan, as_of=EVENING + MINUTE, energy_kwh=20.0)
    assert [refresh(now), refresh(now)] == [3, 3]
    out.box.forget_published()
    assert refresh(now) == 4
    out.box.publish_plan(POINT, None)
    assert refresh(now) == 6


def test_a_flood_of_false_states_is_corrected_once_a_second(ledger: Ledger) -> None:
    """The first at once, the last a second after it, whatever came in between."""
    out = Out(ledger)
    published = []
    for tenths in range(26):
        now = EVENING + tenths * timedelta(seconds=0.1)
        if tenths in range(5, 16):
            out.box.correct_daemon_state(now)
        before = len(out.bus.on("daemon"))
        out.box.publish_online(now)
        published += [tenths] if len(out.bus.on("daemon")) > before else []
    assert published == [0, 5, 15]
