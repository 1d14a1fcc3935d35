"""`lullwatt why`: the story of a night, and what holds for any night."""

from __future__ import annotations

import json
import tempfile
from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from adapters.clocks.clock import SystemClock
from adapters.contract.messages import VehicleReport
from adapters.ledger.ledger import open_ledger
from daemon.control.alerts import OUT_OF_REACH
from daemon.night_log.night_rows import night_row
from daemon.presentation.output import rich_text
from daemon.why.plans import plan_words
from daemon.why.show_why import show_why
from tests.daemon.why.nights import LATER, NIGHT, Home, Place
from tests.daemon.worlds import EVENING, HOUR, LEAVES, MINUTE, NIGHT_BEGINS, NOON, POINT

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime

    from daemon.why.show_why import Why
    from tests.support.commands import Ran


@pytest.fixture(scope="module")
def eventful(tmp_path_factory: pytest.TempPathFactory) -> Home:
    """Play a night with a request, a restart of the daemon, and late power."""
    home = Home(tmp_path_factory.mktemp("eventful"))
    with home.place(NOON - 26 * HOUR) as place:
        place.until(EVENING, every=30 * MINUTE)
        place.plug_in(35.0)
        place.until(EVENING + HOUR)
        place.ask(want_percent=90)
        place.until(EVENING + 90 * MINUTE)
        place.end()
    with home.place(EVENING + 95 * MINUTE) as place:
        place.is_there = True
        place.draws = False
        place.until(NIGHT_BEGINS + 3 * MINUTE, every=MINUTE)
        place.draws = True
        place.leave()
    return home


def text_of(why: Why) -> str:
    shown = rich_text(show_why(why.history.house, [why]), 80)
    return "\n".join(line.rstrip() for line in shown.splitlines())


def test_a_whole_story(eventful: Home) -> None:
    """From the answer to the account, exactly as a householder reads it."""
    assert text_of(eventful.why()) == STORY.strip("\n")


STORY = """
Kowhai Cottage: the night from Wed 03 Jun 2026, noon, to Thu 04 Jun, noon

driveway: hatchback
  It charged 31.8 kWh between 21:03 and 01:23, in the cheapest hours before
  07:20, for NZD 6.15. At 07:20 the battery held about 90 %; 60 % were needed.

              Wednesday 03 June
12:00 command As the night begins, the command is not to charge: no vehicle is
              plugged in.
18:30 vehicle The vehicle is plugged in.
18:30 battery The vehicle reports 35 %.
18:30 plan    Planned because the vehicle was plugged in: 26.0 kWh from 21:00 to
              00:32 for NZD 5.02, from 35 % (reported by the vehicle) to 80 % by
              07:20 (60 % needed).
              Charges 26.0 kWh between 21:00 and 00:32 (night) at 0.1932 NZD per
              kWh. NZD 2.23 of this is beyond the need of 60 %. Keeps out of
              peak at 0.4738 NZD per kWh. Charging at once would cost NZD 5.16
              more. Charging on a timer would cost the same. An hour earlier the
              same charge would cost NZD 2.07 more; an hour later, the same. At
              16 A it would cost the same.
18:30 command Stay stopped: cheaper hours are to come (command 13212003).
19:30 request Somebody asks: charge to 90 %.
19:30 plan    Planned again because somebody asked: 31.8 kWh from 21:00 to 01:30
              for NZD 6.14, from 35 % (reported by the vehicle) to 90 % by 07:20
              (60 % needed).
              Before: 80 % wanted, 26.0 kWh to come from 21:00 to 00:32. Charges
              31.8 kWh between 21:00 and 01:30 (night) at 0.1932 NZD per kWh.
              NZD 3.35 of this is beyond the need of 60 %. Charging at once
              would cost NZD 3.09 more.
20:00 daemon  The daemon ends.
20:05 daemon  The daemon starts.
21:00 command Start at 32 A: cheapest hours before 07:20 (command 13248301).
21:02 command Sent again, because the meter showed no change: start at 32 A
              (command 13248302).
21:03 meter   Power flows.
              Thursday 04 June
01:00 plan    Planned again because the meter showed a state of charge other
              than planned: 2.7 kWh from 01:00 to 01:24 for NZD 0.52, from 85 %
              (counted by the meter) to 90 % by 07:20 (60 % needed).
              Before: 3.5 kWh to come from 21:00 to 01:30. Charges 2.7 kWh
              between 01:00 and 01:24 (night) at 0.1932 NZD per kWh. All of this
              is beyond the need of 60 %. Charging at once would cost the same.
              An hour later the same charge would cost the same.
01:23 plan    Planned again because what was planned had been reached: nothing
              to charge, as the battery holds 90 % (counted by the meter) and
              the target is 90 % by 07:20 (60 % needed).
              Before: 0.2 kWh to come from 01:00 to 01:24. The battery holds 90
              %, and 90 % is all that is wanted: nothing to charge.
01:23 command Stop: the plan has nothing more to charge (command 13248315).
01:23 meter   Power has stopped: 31.83 kWh since 21:03.
07:19 vehicle The vehicle is unplugged.
07:19 command Stay stopped: no vehicle is plugged in (command 13248317).
07:20 night   The night is closed, and its account is final.

  31.83 kWh at the meter for NZD 6.15, tax included:
    night: 31.83 kWh at 0.1932 per kWh, NZD 6.15
  Charging at once would have cost NZD 11.31; charging on a timer would have
  cost NZD 6.15.
"""


def test_a_plan_that_charges_for_later_nights_says_what_it_reaches(eventful: Home) -> None:
    """Only 60 % is wanted by this departure, and the plan goes on to 78 %."""
    history = eventful.why().history
    plan = history.night.plans[0]
    body = plan.body | {"want_percent": Decimal(60), "reaches_percent": Decimal(78)}
    words = plan_words(history, replace(plan, body=body))
    assert words.endswith("to 78 % by 07:20 (60 % needed)")


def test_the_account_is_the_record(eventful: Home) -> None:
    """Energy and money come from the night's record; they are not calculated again."""
    why = eventful.why()
    with open_ledger(eventful.path, read_only=True) as ledger:
        (record,) = ledger.nights(NIGHT, NIGHT, POINT)
    assert why.history.night.record == record
    assert why.history.night.energy_wh == night_row(record).energy_wh
    assert sum(flow.wh for flow in why.history.flows) == why.history.night.energy_wh


def test_the_bands_of_an_account_add_up_to_its_total(eventful: Home) -> None:
    """0.115 and 0.110 kWh are 0.22 in all; each rounded by itself they were 0.12 and 0.11."""
    why = eventful.why()
    night = why.history.night
    bands = [
        ("peak", Decimal("0.115"), Decimal("0.4140")),
        ("night", Decimal("0.110"), Decimal("0.2300")),
    ]
    assert night.record is not None
    lines = [
        {"band": band, "rate": rate, "kwh": kwh, "cost": kwh * rate} for band, kwh, rate in bands
    ]
    record = night.record | {"energy_kwh": Decimal("0.225"), "by_band": lines}
    history = replace(why.history, night=replace(night, record=record))
    shown = rich_text(show_why(history.house, [replace(why, history=history)]))
    assert "0.22 kWh at the meter for" in shown
    assert "peak: 0.11 kWh at 0.4140 per kWh, NZD 0.05" in shown
    assert "night: 0.11 kWh at 0.2300 per kWh, NZD 0.02" in shown


def test_rates_that_print_alike_are_one_line_of_an_account(eventful: Home) -> None:
    """Two of the three quarter hours cost 0.1200 per kWh to four places."""
    why = eventful.why()
    night = why.history.night
    rates = [Decimal("0.12001"), Decimal("0.12004"), Decimal("0.2")]
    lines = [{"band": "price", "rate": rate, "kwh": Decimal(1), "cost": rate} for rate in rates]
    assert night.record is not None
    record = night.record | {"energy_kwh": Decimal(3), "by_band": lines}
    history = replace(why.history, night=replace(night, record=record))
    shown = rich_text(show_why(history.house, [replace(why, history=history)]))
    assert [line.strip() for line in shown.splitlines() if "  price: " in line] == [
        "price: 2.00 kWh at 0.1200 per kWh, NZD 0.24",
        "price: 1.00 kWh at 0.2000 per kWh, NZD 0.20",
    ]


@pytest.mark.parametrize("cleared", [False, True])
def test_an_alert_about_a_need_that_no_longer_holds_is_left_out(
    tmp_path: Path, *, cleared: bool
) -> None:
    """A need asked for too late is told of, once; not if it was cleared before the departure."""
    home = Home(tmp_path)
    with home.place(EVENING - HOUR) as place:
        place.plug_in(35.0)
        place.until(EVENING + 12 * HOUR, every=10 * MINUTE)
        place.ask(need_percent=100, want_percent=100)
        place.until(EVENING + 12 * HOUR + 10 * MINUTE)
        if cleared:
            place.ask(clear=True)
        place.until(EVENING + 12 * HOUR + 20 * MINUTE)
        place.leave()
    alerts = [entry.text for entry in home.why().story if entry.kind == "alert"]
    with open_ledger(home.path, read_only=True) as ledger:
        night = home.why().history.night
        raised = ledger.alerts_between(night.begins, night.ends)
    assert OUT_OF_REACH in {alert.code for alert in raised}
    assert len([text for text in alerts if OUT_OF_REACH in text]) == (0 if cleared else 1)
    if not cleared:
        # What the battery will hold stands in the plan's own sentence, and nowhere else.
        told = " ".join(" ".join((each.text, *each.more)) for each in home.why().story)
        assert told.count("100 % can't be reached in time") == 1
        assert "will reach" not in told


# --- any night --------------------------------------------------------------------------------

DOINGS: dict[str, Callable[[Place], None]] = {
    "plug in": lambda place: place.plug_in(30.0),
    "unplug": lambda place: place.unplug(),
    "draws": lambda place: setattr(place, "draws", True),
    "draws nothing": lambda place: setattr(place, "draws", False),
    "sticks": lambda place: setattr(place, "stuck", True),
    "sticks no more": lambda place: setattr(place, "stuck", False),
    "mute": lambda place: setattr(place, "mute", True),
    "heard": lambda place: setattr(place, "mute", False),
    "now": lambda place: place.ask(charge_now=True),
    "skip": lambda place: place.ask(skip_until=place.clock.now() + 2 * HOUR),
    "more": lambda place: place.ask(need_percent=95, want_percent=95),
    "forget": lambda place: place.ask(clear=True),
    "forget now": lambda place: place.ask(remove="charge_now"),
    "fault": lambda place: place.pilot("F"),
    "no fault": lambda place: place.pilot("B"),
    "soc": lambda place: place.post(
        "vehicle", VehicleReport(at=place.clock.now(), soc_percent=50.0)
    ),
}
STEP = st.tuples(st.sampled_from([*DOINGS, "start again"]), st.integers(1, 150))


@settings(max_examples=settings().max_examples // 5)
@given(steps=st.lists(STEP, min_size=4, max_size=9))
def test_every_command_is_in_one_line(steps: list[tuple[str, int]]) -> None:
    """Whatever happens, each command is in one line, in order of time."""
    with tempfile.TemporaryDirectory() as directory:
        home = Home(Path(directory))
        at, meter_wh, there = EVENING - 2 * HOUR, 1e6, False
        rest = [("plug in", 30), *steps]
        while rest:
            with home.place(at, meter_wh=meter_wh) as place:
                place.is_there = there
                while rest and (step := rest.pop(0))[0] != "start again":
                    DOINGS[step[0]](place)
                    place.until(place.true_now + step[1] * MINUTE)
                place.end()
                at, meter_wh, there = place.true_now + MINUTE, place.meter_wh, place.is_there
        why = home.why(max(at, LATER))
        with open_ledger(home.path, read_only=True) as ledger:
            night = why.history.night
            rows = ledger.commands_between(POINT, night.begins, night.upto)
        serials = [serial for entry in why.story for serial in entry.serials]
        assert sorted(serials) == [row.serial for row in rows]
        assert all(one.at <= other.at for one, other in pairwise(why.story))
        assert why.explanation.text.startswith("It ")
        assert max(map(len, text_of(why).splitlines())) <= 80


# --- the command ------------------------------------------------------------------------------


def at(monkeypatch: pytest.MonkeyPatch, hours: int) -> None:
    """Set the clock to so many hours after the night's end."""
    monkeypatch.setattr(SystemClock, "now", lambda _clock: NOON + hours * HOUR)


def test_scripts_read_it_as_json(
    eventful: Home, run: Callable[..., Ran], monkeypatch: pytest.MonkeyPatch
) -> None:
    """One JSON document has answer, causes, flows, account and story."""
    at(monkeypatch, 20)
    ran = run("why", str(eventful.household), "--night", "2026-06-03", "--json")
    assert (ran.code, ran.err) == (0, "")
    document = json.loads(ran.out)
    why = eventful.why()
    (point,) = document["charge_points"]
    assert (document["night"], document["over"]) == ("2026-06-03", True)
    assert (document["begins"], document["ends"]) == (
        "2026-06-03T00:00:00Z",
        "2026-06-04T00:00:00Z",
    )
    assert point["answer"] == why.explanation.text
    assert point["causes"] == ["charged"]
    assert len(point["story"]) == len(why.story)
    assert sum(flow["kwh"] for flow in point["charged"]) == point["account"]["energy_kwh"]


def test_the_last_night_that_has_begun_is_the_default(
    eventful: Home, run: Callable[..., Ran], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without --night: yesterday's before noon, today's after noon."""
    at(monkeypatch, -1)
    assert "the night from Wed 03 Jun 2026, noon" in run("why", str(eventful.household)).out
    at(monkeypatch, 1)
    ran = run("why", str(eventful.household), "--charge-point", "driveway")
    assert "the night from Thu 04 Jun 2026, noon" in ran.out
    assert "This night is not over. The one before it: --night 2026-06-03" in ran.out


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (("--night", "2026-06-01"), "--night: the ledger begins in the night of 2026-06-02; it"),
        (("--night", "2026-06-05"), "--night: the night of 2026-06-05 has not begun; the last one"),
        (("--night", "soon"), "--night: expected a date such as 2026-06-03, got 'soon'"),
        (("--charge-point", "barn"), "--charge-point: expected one of driveway, got 'barn'"),
    ],
)
def test_bad_options_are_refused(
    eventful: Home,
    run: Callable[..., Ran],
    monkeypatch: pytest.MonkeyPatch,
    options: tuple[str, ...],
    message: str,
) -> None:
    """In one line, with exit code 2."""
    at(monkeypatch, 1)
    ran = run("why", str(eventful.household), *options)
    assert (ran.code, ran.out) == (2, "")
    assert message in ran.err


def test_an_empty_ledger_is_refused(
    tmp_path: Path, run: Callable[..., Ran], monkeypatch: pytest.MonkeyPatch
) -> None:
    """So is a missing one; each in one line."""
    at(monkeypatch, 1)
    home = Home(tmp_path)
    missing = run("why", str(home.household))
    assert missing.code == 2
    assert str(home.path) in missing.err
    open_ledger(home.path).close()
    empty = run("why", str(home.household))
    assert empty.code == 2
    assert empty.err.endswith("is empty\n")


BARN = """charge_points:
  barn:
    charging_mode: 3
    max_amps: 16
    switching: current
"""


def test_each_charge_point_is_explained(
    tmp_path: Path, run: Callable[..., Ran], monkeypatch: pytest.MonkeyPatch
) -> None:
    """All in the order of the file, or only the one that is asked for."""
    home = Home(tmp_path, ("charge_points:\n", BARN))
    with home.place() as place:
        place.until(EVENING)
    at(monkeypatch, -17)
    both = json.loads(run("why", str(home.household), "--json").out)["charge_points"]
    assert [(it["charge_point"], it["vehicle"]) for it in both] == [
        ("barn", None),
        ("driveway", "hatchback"),
    ]
    assert all(it["answer"].startswith("It did not charge yet: ") for it in both)
    one = run("why", str(home.household), "--charge-point", "barn")
    assert "\nbarn\n" in one.out
    assert "driveway" not in one.out


def test_nothing_is_written(eventful: Home) -> None:
    """Explaining a night changes nothing in the ledger."""
    before = eventful.path.read_bytes()
    eventful.why()
    assert eventful.path.read_bytes() == before


def test_the_first_night_is_explained_as_far_as_known(eventful: Home) -> None:
    """The ledger begins during that night, and the explanation says so."""
    why = eventful.why(night=date(2026, 6, 2))
    assert why.explanation.text.startswith("It did not charge: the ledger begins at 10:00")
    assert why.history.night.ends - why.history.night.begins == timedelta(days=1)


def test_a_meter_that_restored_an_older_total_is_named(tmp_path: Path) -> None:
    """A night in which nothing is counted for that reason says so."""
    home = Home(tmp_path)
    with home.place(EVENING, meter_wh=1_001_670) as place:
        place.end()
    with home.place(EVENING + HOUR, meter_wh=1_000_000):
        pass
    (told,) = [entry.text for entry in home.why().story if entry.kind == "meter"]
    assert told == (
        "the meter lost a part of its count between 18:30 and 19:30: it shows 1000.00 kWh "
        "after 1001.67 kWh; nothing is counted for that time"
    )


@pytest.mark.parametrize("began", [EVENING - HOUR, EVENING + 30 * MINUTE])
def test_a_vehicle_assumed_from_the_file_is_the_reason_of_its_plan(
    tmp_path: Path, began: datetime
) -> None:
    """Nothing reports it; it counts as there from 18:30, or from the daemon's start."""
    hours = 'switching: current\n    plugged_in: "18:30-07:20"'
    home = Home(tmp_path, ("switching: current", hours))
    with home.place(began) as place:
        place.is_there = True
        place.until(LEAVES)
    planned = next(entry for entry in home.why().story if entry.kind == "plan")
    because = (
        "the household file says that a vehicle is plugged in from 18:30 on"
        if began < EVENING
        else "the daemon started"
    )
    assert planned.text.startswith(f"planned because {because}: ")


def test_a_vehicle_that_only_power_shows_is_the_reason_of_its_plan(tmp_path: Path) -> None:
    """No hours are declared, and nothing reports a vehicle: the meter shows that one is there."""
    home = Home(tmp_path)
    with home.place(EVENING - HOUR) as place:
        place.is_there = True
        place.stuck = True
        place.until(EVENING)
        place.stuck = False
        place.until(LEAVES)
    planned = next(entry for entry in home.why().story if entry.kind == "plan")
    assert planned.text.startswith("planned because power showed that a vehicle is there: ")
