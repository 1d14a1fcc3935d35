"""`lullwatt why`: the explanation of played nights, one for each cause."""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING

import pytest

from adapters.bus.events import Connected, Disconnected, Published
from adapters.contract.messages import DaemonState
from adapters.ledger.retention import remove_before
from daemon.control.alerts import NOBODY_LISTENS
from daemon.night_log.month_reading import read_month
from daemon.service.house_loading import load_house
from tests.daemon.why.nights import LATER, Home, Place
from tests.daemon.worlds import (
    EVENING,
    HOUR,
    LEAVES,
    MINUTE,
    NIGHT_BEGINS,
    NOON,
    POINT,
    arrived,
    utc,
)

if TYPE_CHECKING:
    from pathlib import Path

MIDNIGHT = utc("2026-06-03T12:00")


@pytest.fixture
def home(tmp_path: Path) -> Home:
    return Home(tmp_path)


def test_it_charged(home: Home) -> None:
    """How much, when, why then, at what cost; and what the battery held in the end."""
    with home.place() as place:
        place.until(EVENING)
        place.plug_in(35.0)
        place.leave()
    explanation = home.why().explanation
    assert explanation.text == (
        "It charged 26.0 kWh between 21:00 and 00:32, in the cheapest hours before 07:20, for"
        " NZD 5.02. At 07:20 the battery held about 80 %; 60 % were needed."
    )
    assert explanation.causes == ("charged",)


def test_no_vehicle_was_connected(home: Home) -> None:
    """Without a vehicle, that is the answer."""
    with home.place(NOON - 25 * HOUR) as place:
        place.until(LATER, every=30 * MINUTE)
    assert home.says() == (
        "It did not charge: no vehicle was plugged in between Wed 03 Jun"
        " 12:00 and Thu 04 Jun 12:00."
    )


def test_it_was_full(home: Home) -> None:
    """The battery held more than was wanted."""
    with home.place() as place:
        place.plug_in(83.0)
        place.leave()
    assert home.says() == (
        "It did not charge: the state of charge was 83 %, above the 80 % wanted. At 07:20 the"
        " battery held about 83 %; 60 % were needed."
    )


def test_it_was_charged_the_night_before(tmp_path: Path) -> None:
    """It leaves on Friday; all was charged in the night to Thursday."""
    home = Home(tmp_path, ("days: [mon, tue, wed, thu, fri], at:", "days: [fri], at:"))
    with home.place() as place:
        place.plug_in(35.0)
        place.until(LEAVES + 24 * HOUR - MINUTE, every=30 * MINUTE)
        place.unplug()
        place.until(LATER + 24 * HOUR, every=30 * MINUTE)
    explanation = home.why(LATER + 24 * HOUR, date(2026, 6, 4)).explanation
    assert explanation.text == (
        "It did not charge: all that was planned had been charged by Thu 04 Jun 00:32, up to 80 %."
        " At 07:20 the battery held about 80 %; 60 % were needed."
    )
    assert explanation.causes == ("full",)


def test_every_hour_cost_too_much(tmp_path: Path) -> None:
    """The battery held enough, and every hour cost more than the rest was worth."""
    home = Home(tmp_path, ("max_rate: 0.20", "max_rate: 0.10"))
    with home.place() as place:
        place.plug_in(65.0)
        place.leave()
    assert home.says().startswith(
        "It did not charge: the state of charge was 65 % of the 80 % wanted, 60 % were needed, and"
        " every other hour that it may use costs more than the limit of 0.1 NZD per kWh."
    )


def test_no_power_flowed(home: Home) -> None:
    """The command was sent three times, and nothing flowed; with the alert."""
    with home.place() as place:
        place.plug_in(35.0)
        place.draws = False
        place.until(NIGHT_BEGINS + HOUR, every=MINUTE)
        place.leave()
    explanation = home.why().explanation
    assert explanation.text == (
        "It did not charge: the command to charge was sent at 21:00, but no power flowed (alert"
        " no-power-after-start; sent again at 21:02 and 21:06): hatchback is connected and draws"
        " nothing. It may be full, or wait for its own timer. It was 14.4 kWh short for the"
        " departure: at 07:20 the battery held about 35 % of the 60 % needed."
    )
    assert explanation.causes == ("no-power-after-start", "need-missed")


def test_power_flowed_at_the_second_try(home: Home) -> None:
    """The explanation mentions that power came late."""
    with home.place() as place:
        place.plug_in(35.0)
        place.draws = False
        place.until(NIGHT_BEGINS + 30 * MINUTE, every=MINUTE)
        place.draws = True
        place.leave()
    assert home.says().startswith(
        "It charged 26.0 kWh between 21:30 and 01:02, in the cheapest hours before 07:20, for NZD"
        " 5.02. Power was late: the command to charge was sent at 21:00 (alert"
        " no-power-after-start; sent again at 21:02 and 21:06)."
    )


def test_the_meter_was_silent(home: Home) -> None:
    """Nobody knows, and the explanation says so, with the alert."""
    with home.place() as place:
        place.plug_in(35.0)
        place.until(NIGHT_BEGINS - MINUTE)
        place.mute = True
        place.leave()
    explanation = home.why().explanation
    assert explanation.text.startswith(
        "It did not charge as far as the meter shows: the command was to charge from 21:00 to"
    )
    assert (
        "but the meter was silent (alert no-reading), so the ledger does not say whether it"
        " charged."
    ) in explanation.text
    assert explanation.causes[0] == "no-reading"


def test_the_meter_was_silent_for_a_while(home: Home) -> None:
    """The energy of that time is in the account, and called estimated."""
    with home.place() as place:
        place.plug_in(35.0)
        place.until(NIGHT_BEGINS + HOUR)
        place.mute = True
        place.until(NIGHT_BEGINS + 2 * HOUR)
        place.mute = False
        place.leave()
    explanation = home.why().explanation
    assert explanation.text.startswith(
        "It charged 26.0 kWh, as far as the meter was read, between 21:00 and 00:32, in the"
    )
    estimate = "kWh of it are estimated, as the meter was silent (alert no-reading)."
    assert estimate in explanation.text
    assert explanation.causes == ("charged", "estimated")


def test_nobody_listened(home: Home) -> None:
    """The explanation mentions commands without a subscriber."""
    with home.place() as place:
        topic = place.topics.command(POINT)
        place.plug_in(35.0)
        place.draws = False
        place.until(NIGHT_BEGINS)
        place.service.handle(Published(topic, "nobody-listens"))
        place.leave()
    text = home.says()
    not_charged = "It did not charge: the command to charge was sent at 21:00, but no power flowed"
    assert text.startswith(not_charged)
    assert (
        "Besides, nothing listened to the commands for it (alert nobody-listens at 21:00)." in text
    )


def test_the_hardware_connected_a_little_after_the_daemon(home: Home) -> None:
    """An alert before a command that was obeyed is not why the battery held too little."""
    with home.place(LEAVES - 2 * HOUR) as place:
        place.service.handle(Published(place.topics.command(POINT), "nobody-listens"))
        place.plug_in(10.0)  # too late for the 60 % that are needed
        place.leave()
    why = home.why()
    assert "short for the departure" in why.explanation.text
    assert NOBODY_LISTENS in {alert.code for alert in why.history.night.alerts}
    assert NOBODY_LISTENS not in why.explanation.causes


def test_a_plug_that_was_pulled_for_a_moment_did_not_come_late(home: Home) -> None:
    """The vehicle had been there since 18:30; a pause left too little time."""
    with home.place() as place:
        place.plug_in(10.0)
        place.ask(skip_until=LEAVES - HOUR)
        place.until(LEAVES - HOUR + 10 * MINUTE)
        place.unplug()
        place.until(LEAVES - HOUR + 11 * MINUTE)
        place.plug_in(12.0)
        place.leave()
    text = home.says()
    assert "plugged in only at" not in text
    assert "there was too little time from 06:31 on, with 12 %" in text


def test_the_broker_was_away(home: Home) -> None:
    """From when to when, if it had planned to charge then; the story has its return too."""
    with home.place() as place:
        place.plug_in(35.0)
        for away_at in (EVENING + HOUR, NIGHT_BEGINS + HOUR):
            place.until(away_at)
            place.service.handle(Disconnected("nothing listens at 127.0.0.1:1883"))
            place.until(away_at + 40 * MINUTE)
            place.service.handle(Connected("5"))
        place.leave()
    why = home.why()
    told = ", for NZD 5.02. The broker was away from 22:00 to 22:40, when it had planned to charge."
    assert told in why.explanation.text
    assert why.explanation.causes == ("charged", "no-broker")
    story = [(f"{each.at:%H:%M}", each.text) for each in why.story if "broker" in each.text]
    assert [at for at, text in story if text == "the broker is back"] == ["08:10", "10:40"]
    assert sum("alert no-broker" in text for _, text in story) == 1, "both alerts in one line"
    with home.ledger() as ledger:
        month = read_month(home.household, load_house(home.household), ledger, (2026, 6), LATER)
    assert [alert.code for alert in month.alerts] == ["no-broker"] * 2, "a return is no alert"


def test_somebody_asked_to_skip(home: Home) -> None:
    """The request, and until when."""
    with home.place() as place:
        place.plug_in(35.0)
        place.ask(skip_until=LEAVES + 2 * HOUR)
        place.leave()
    text = home.says()
    assert text.startswith("It did not charge: somebody asked at 17:30 to skip until 09:20.")
    short = "It was 14.4 kWh short for the departure: at 07:20 the battery held about 35 % of the"
    assert short in text


def test_somebody_asked_to_charge_now(home: Home) -> None:
    """What was charged at once is not called the cheapest hours."""
    with home.place() as place:
        place.plug_in(70.0)
        place.ask(charge_now=True)
        place.leave()
    assert home.says().startswith(
        "It charged 5.8 kWh between 17:30 and 18:17, at once, as somebody asked at 17:30, for NZD"
    )


def test_a_later_request_did_not_start_what_came_before(home: Home) -> None:
    """Asked at 17:30, and again at 19:30 when it had long been charged."""
    with home.place() as place:
        place.plug_in(70.0)
        place.ask(charge_now=True)
        place.until(EVENING + HOUR)
        place.ask(charge_now=True)
        place.leave()
    text = home.says()
    assert "at once, as somebody asked at 17:30" in text
    assert "somebody asked at 19:30" not in text


def test_the_daemon_was_ended(home: Home) -> None:
    """A daemon that was ended records it, so the outage is exact."""
    with home.place() as place:
        place.plug_in(35.0)
        place.until(MIDNIGHT - 4 * HOUR)
        place.end()
    with home.place(LEAVES - 20 * MINUTE) as place:
        place.is_there = True
        place.leave()
    explanation = home.why().explanation
    assert (
        "It was 12.1 kWh short for the departure: at 07:20 the battery held about 39 % of the 60 %"
        " needed, because the daemon was not running between 20:00 and 07:00, when it had planned"
        " to charge."
    ) in explanation.text
    assert "not-running" in explanation.causes


def test_the_daemon_was_killed(home: Home) -> None:
    """A daemon that was killed records nothing, so its last sign of life is shown."""
    with home.place() as place:
        place.plug_in(35.0)
        place.until(MIDNIGHT - 4 * HOUR)
    with home.place(LEAVES + HOUR) as place:
        place.unplug()
        place.until(LATER)
    explanation = home.why().explanation
    assert explanation.text.startswith(
        "It did not charge: the daemon was not running from some time after 20:00 until 08:20, when"
        " it had planned to charge."
    )


def test_the_daemon_did_not_come_back(home: Home) -> None:
    """The explanation mentions it when the night is over."""
    with home.place() as place:
        place.plug_in(35.0)
        place.until(MIDNIGHT - 4 * HOUR)
        place.end()
    assert home.says().startswith(
        "It did not charge: the daemon was not running between 20:00 and 12:00, when it had planned"
        " to charge."
    )


def test_another_daemon_took_over(home: Home) -> None:
    """A daemon that gave way says why it ended."""
    with home.place() as place:
        place.plug_in(35.0)
        place.until(EVENING)
        now = place.clock.now()
        other = DaemonState(
            state="online", at=now, stale_after=now + HOUR, instance="other", since=now
        )
        place.service.handle(arrived(place.topics.daemon, other))
    why = home.why()
    explanation = why.explanation
    assert "the daemon was not running between 18:30 and 12:00" in explanation.text
    assert [entry.text for entry in why.story if entry.kind == "daemon"][-1] == (
        "the daemon ends: another daemon of this household was started later"
    )


def test_it_came_too_late(home: Home) -> None:
    """When the vehicle came, with how much, and until when charging would have taken."""
    with home.place() as place:
        place.until(LEAVES - 2 * HOUR - 10 * MINUTE)
        place.plug_in(20.0)
        place.leave()
    explanation = home.why().explanation
    assert (
        "It was 7.3 kWh short for the departure: at 07:20 the battery held about 47 % of the 60 %"
        " needed, because the vehicle was plugged in only at 05:10, with 20 %; without a pause it"
        " would have taken until 08:19."
    ) in explanation.text
    assert ", in all the time available before 07:20, for " in explanation.text
    assert explanation.causes == ("charged", "need-missed", "plugged-in-late")


def test_reasons_that_change_have_a_sentence_each(home: Home) -> None:
    """Charged at once for a while, and then in the cheapest hours."""
    with home.place() as place:
        place.plug_in(35.0)
        place.ask(charge_now=True)
        place.until(EVENING)
        place.ask(charge_now=False)
        place.leave()
    text = home.says()
    assert text.startswith("It charged 26.0 kWh in 2 parts between 17:30 and ")
    assert (
        " From 17:30 it charged at once, as somebody asked at 17:30. From 21:00 it charged in the"
        " cheapest hours before 07:20." in text
    )


def test_a_reason_that_held_for_seconds_is_not_told_beside_the_next(home: Home) -> None:
    """A wish for some seconds of the cheapest hours: only the hours are told."""
    with home.place() as place:
        place.plug_in(35.0)
        place.until(NIGHT_BEGINS)
        place.ask(charge_now=True)
        place.pass_time(MINUTE / 12)
        place.ask(charge_now=False)
        place.leave()
    assert ", in the cheapest hours before 07:20, for " in home.says()


@pytest.mark.parametrize(
    ("soc", "hours"), [(45.0, "nearly all the time available"), (57.0, "the cheapest hours")]
)
def test_hours_that_were_nearly_all_needed_are_no_choice(
    home: Home, soc: float, hours: str
) -> None:
    """It charges from 04:45 until 07:00, where the night rate ends, or for 24 minutes."""
    with home.place() as place:
        place.until(LEAVES - 2 * HOUR - 35 * MINUTE)
        place.plug_in(soc)
        place.leave()
    assert f", in {hours} before 07:20, for " in home.says()


def test_it_has_just_begun(home: Home) -> None:
    """Power flows: nobody reads that it did not charge, though it is 0.02 kWh."""
    with home.place(LEAVES - HOUR) as place:
        place.plug_in(20.0)
        place.pass_time(MINUTE / 6, every=MINUTE / 12)
        now = place.true_now
    text = home.says(now)
    assert text.startswith("It charged 0.02 kWh so far between 06:20 and 06:20"), text


def test_it_left_late(tmp_path: Path) -> None:
    """What was charged after the departure is in a sentence of its own."""
    home = Home(
        tmp_path, ("need_percent: 60, want_percent: 80, max_rate: 0.20", "need_percent: 90")
    )
    with home.place(LEAVES - 3 * HOUR) as place:
        place.plug_in(35.0)
        place.until(LEAVES + HOUR / 2)
        place.unplug()
        place.until(LATER, every=30 * MINUTE)
    explanation = home.why().explanation
    assert explanation.text.startswith(
        "It charged 25.7 kWh between 04:20 and 07:50, in all the time available before 07:20, for"
        " NZD 6.69. The vehicle had not left at 07:20, so it charged on towards the 90 % that was"
        " needed."
    )
    assert explanation.causes[:2] == ("charged", "left-late")


def test_the_charge_point_had_a_fault(home: Home) -> None:
    """A fault that lasts is shown with its hours."""
    with home.place() as place:
        place.plug_in(35.0)
        place.until(EVENING)
        place.pilot("F")
        place.leave()
    assert home.says().startswith(
        "It did not charge: the charge point reported a fault from 18:30 to 07:19."
    )


def test_no_departure_is_declared(tmp_path: Path) -> None:
    """Without a departure nothing is planned; the alert may be weeks old."""
    file = Home(tmp_path).household.read_text("utf-8")
    start = file.index("departures:")
    home = Home(tmp_path, (file[start : file.index("bus:", start)], "departures: []\n\n"))
    with home.place() as place:
        place.plug_in(35.0)
        place.until(LEAVES)
        place.unplug()
        place.until(LATER)
    assert home.says() == (
        "It did not charge: nothing could be planned from 17:30 to 07:20: no departure is declared"
        " for this charge point."
    )


def test_no_rate_was_known(tmp_path: Path) -> None:
    """Without prices nothing can be planned."""
    file = Home(tmp_path).household.read_text("utf-8")
    start = file.index("    bands:")
    bands = file[start : file.index("charge_points:", start)]
    home = Home(tmp_path, (bands, "    prices: {step_minutes: 60}\n\n"))
    with home.place() as place:
        place.plug_in(35.0)
        place.leave()
    explanation = home.why().explanation
    assert explanation.text.startswith("It did not charge: nothing could be planned from 17:30 to")
    assert explanation.causes[0] == "no-rate"


def test_it_ended_by_itself(home: Home) -> None:
    """The explanation mentions that the vehicle stopped drawing."""
    with home.place() as place:
        place.plug_in(35.0)
        place.until(NIGHT_BEGINS + HOUR, every=MINUTE)
        place.draws = False
        place.until(NIGHT_BEGINS + 2 * HOUR, every=MINUTE)
        place.leave()
    explanation = home.why().explanation
    charged = "It charged 7.4 kWh between 21:00 and 22:00, in the cheapest"
    assert explanation.text.startswith(charged)
    assert (
        "the vehicle ended the charge by itself at 22:15 (alert ended-short-of-need): it may be"
        " full, or have its own limit or timer."
    ) in explanation.text


def test_it_left_early(home: Home) -> None:
    """The explanation mentions when it left, and the hours that were planned."""
    with home.place() as place:
        place.plug_in(35.0)
        place.until(EVENING + HOUR)
        place.unplug()
        place.until(LATER)
    assert home.says().startswith(
        "It did not charge: the vehicle was unplugged at 19:30, before the planned hours were over"
        " (from 21:00 to 00:32)."
    )


def test_a_plug_that_is_pulled_for_a_moment_is_no_cause(home: Home) -> None:
    """It is back long before the planned hours."""
    with home.place() as place:
        place.plug_in(35.0)
        place.until(EVENING + HOUR)
        place.unplug()
        place.plug_in(35.0)
        text = home.says(place.clock.now())
    assert "was unplugged" not in text
    assert "It did not charge yet" in text


def test_it_is_still_to_come(home: Home) -> None:
    """A night in progress shows what is planned, while the daemon runs."""
    with home.place() as place:
        place.plug_in(35.0)
        place.until(EVENING)
        assert home.says(place.clock.now()) == (
            "It did not charge yet: cheaper hours are to come, and 26.0 kWh are planned from 21:00"
            " to 00:32 for NZD 5.02."
        )
        place.until(NIGHT_BEGINS + HOUR)
        assert home.says(place.clock.now()) == (
            "It charged 7.4 kWh so far between 21:00 and 22:00, in the cheapest hours before 07:20,"
            " for NZD 1.42. Still planned: from 22:00 to 00:32."
        )


def test_the_rest_of_the_home_needed_the_current(tmp_path: Path) -> None:
    """A request to charge at once waits for the main fuse."""
    known = 'known_load: [{amps: 60, hours: ["17:00-21:00"]}]'
    home = Home(tmp_path, ("public_holidays: NZ", f"{known}\n  public_holidays: NZ"))
    with home.place() as place:
        place.plug_in(35.0)
        place.ask(charge_now=True)
        place.until(EVENING + HOUR)
        assert home.says(place.clock.now()).startswith(
            "It did not charge yet: the rest of the home needed the current from 17:30 to 19:30."
        )


def test_the_home_lowered_the_charge(tmp_path: Path) -> None:
    """The reason for the charge stays what it was; how long it was lowered is told apart."""
    home = Home(tmp_path)
    with home.place() as place:
        place.plug_in(35.0)
        place.ask(charge_now=True)
        for _ in range(6):
            place.post_load(53.0)
            place.until(place.true_now + MINUTE / 2, every=MINUTE / 2)
        place.leave()
    text = home.says()
    lowered = (
        "It was lowered for 3 min, to 10 A at the least, because the rest of the home drew up to"
        " 53 A."
    )
    assert lowered in text
    assert "at once, as somebody asked" in text
    assert "leaves only" not in text


def test_power_flowed_after_a_stop(home: Home) -> None:
    """The explanation mentions it, although the charge before it was right."""
    with home.place() as place:
        place.plug_in(79.0)
        place.until(NIGHT_BEGINS + 10 * MINUTE, every=MINUTE)
        place.stuck = True
        place.until(NIGHT_BEGINS + 2 * HOUR, every=MINUTE)
        place.stuck = False
        place.leave()
    explanation = home.why().explanation
    flowed = "Power flowed although the command was to stop (alert power-after-stop at"
    assert flowed in explanation.text
    assert "power-after-stop" in explanation.causes


def test_more_current_than_was_commanded(tmp_path: Path) -> None:
    """It says what was taken, how long that kept it from charging, and that somebody looked."""
    home = Home(tmp_path, ("main_fuse_amps: 63", "main_fuse_amps: 16"))
    with home.place() as place:
        place.takes_watts = 7360.0
        place.plug_in(35.0)
        place.until(NIGHT_BEGINS + 2 * HOUR, every=MINUTE)
        place.takes_watts = None
        place.ask(equipment_checked=True)
        place.until(NIGHT_BEGINS + 3 * HOUR, every=MINUTE)
        place.leave()
    why = home.why()
    took = "It took 32 A when it was told 16 A, which is more than is allowed from 21:0"
    assert took in why.explanation.text
    assert "(alert over-current at 21:0" in why.explanation.text
    assert "over-current" in why.explanation.causes
    asked = [entry.text for entry in why.story if entry.kind == "request"]
    assert asked == ["somebody asks: the equipment was checked"]
    plans = [entry.text for entry in why.story if entry.kind == "plan"]
    stopped = "no charge, though the battery holds 3"
    assert [text for text in plans if stopped in text], "a target that is not reached"
    assert not [text for text in plans if "nothing to charge, as the battery holds 3" in text]


def test_no_meter_was_read(home: Home) -> None:
    """Without a meter the ledger can't say whether energy flowed."""
    with home.ledger() as ledger:
        place = Place(home.household, ledger, EVENING - HOUR)
        place.mute = True
        place.begin()
        place.plug_in(35.0)
        place.leave()
    text = home.says()
    not_charged = "It did not charge as far as the meter shows: the command was to charge"
    assert text.startswith(not_charged)
    assert "No meter was read that night, so the ledger does not say whether energy flowed." in text


def test_removed_readings_are_mentioned(home: Home) -> None:
    """When readings and plans are removed, the account and the commands remain."""
    with home.place() as place:
        place.plug_in(35.0)
        place.until(LEAVES - MINUTE)
        place.unplug()
        place.until(LATER + 2 * HOUR)
    remove_before(home.path, LATER + HOUR, lambda: False)
    text = home.says()
    assert text.startswith("It charged 26.0 kWh, in the cheapest hours before 07:20, for NZD 5.02.")
    assert "Only the commands and sums of that night are still kept" in text


def test_without_starts_an_expired_command_shows_an_outage(home: Home) -> None:
    """If no start was recorded, an expired command shows that no daemon was running."""
    with home.place() as place:
        place.plug_in(35.0)
        place.until(NIGHT_BEGINS + 10 * MINUTE)
        place.ledger._connection.execute("DELETE FROM happenings")
    with home.place(LEAVES - MINUTE, meter_wh=place.meter_wh) as place:
        place.ledger._connection.execute("DELETE FROM happenings")
        place.unplug()
        place.until(LATER)
    why = home.why()
    explanation = why.explanation
    (outage,) = [it for it in why.history.outages if not it.is_first]
    assert outage.start == NIGHT_BEGINS + 30 * MINUTE, "the start expires after half an hour"
    assert outage.end - LEAVES < timedelta(0)
    assert "the daemon was not running from some time after 21:30 until 07:19" in explanation.text


def test_a_late_wish_is_the_cause_and_not_a_skip_that_was_cleared(home: Home) -> None:
    """The skip was over at once, and the plan after it met the need."""
    with home.place() as place:
        place.plug_in(60.0)
        place.ask(skip_until=EVENING + HOUR)
        place.until(EVENING - 30 * MINUTE)
        place.ask(clear=True)
        place.until(LEAVES - 15 * MINUTE)
        place.ask(need_percent=99)
        place.leave()
    explanation = home.why().explanation
    assert (
        "because there was too little time from 07:05 on, when somebody asked for 99 %, with"
        in (explanation.text)
    )
    assert "skipped" not in explanation.causes


def test_what_it_holds_while_it_goes_on_after_its_departure_is_counted(tmp_path: Path) -> None:
    """It was to have 90 % at 07:20, and is still there at 07:35: the meter was read at 07:30."""
    home = Home(
        tmp_path, ("need_percent: 60, want_percent: 80, max_rate: 0.20", "need_percent: 90")
    )
    with home.place(LEAVES - 3 * HOUR) as place:
        place.plug_in(35.0)
        place.until(LEAVES + 15 * MINUTE)
    text = home.says(LEAVES + 15 * MINUTE)
    assert "is not known" not in text
    assert "At 07:30 the battery held about 75 %, as the meter shows; 90 % were needed." in text


def test_hours_that_an_outage_left_are_not_called_the_cheapest(tmp_path: Path) -> None:
    """Three hours of the night rate were lost, and all that was left was needed."""
    home = Home(
        tmp_path, ("need_percent: 60, want_percent: 80, max_rate: 0.20", "need_percent: 90")
    )
    with home.place() as place:
        place.plug_in(35.0)
        place.until(NIGHT_BEGINS + 30 * MINUTE)
        place.end()
    with home.place(LEAVES - 4 * HOUR) as place:
        place.is_there = True
        place.leave()
    text = home.says()
    assert " From 03:20 it charged in nearly all the time available before 07:20." in text
