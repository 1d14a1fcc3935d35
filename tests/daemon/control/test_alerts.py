"""Every line of the table of alerts: what raises it, what it says, and what clears it."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple, TypeAlias

import pytest

from adapters.contract.messages import Reading
from daemon.control import alerts
from daemon.control.alerts import ALERTS, ClearedBy, clear_alerts, raise_alert
from daemon.control.events import (
    Delivered,
    EquipmentHealth,
    HardwareChanged,
    HouseChanged,
    HouseholdHealth,
    MeterRead,
    TimePassed,
    Warn,
)
from daemon.control.state import PointState
from daemon.nights.saved_state import read_saved, saved_body
from planners.power.excess_current import ExcessCurrent
from planners.power.rest import LastSwitches
from tests.daemon.control.test_phase_switching import switched_house
from tests.daemon.messaging.test_rates_status import FULL_HOUR, priced
from tests.daemon.worlds import (
    EVENING,
    HOUR,
    MINUTE,
    NIGHT_BEGINS,
    POINT,
    World,
    household,
    kowhai,
    topics_of,
)

BUS_PAGE = Path(__file__).parents[3] / "deploy" / "BUS.md"
COMMAND = topics_of(kowhai()).command(POINT)
BIG = {"usable_kwh": 200.0}
"""A battery that no night fills."""

Act: TypeAlias = Callable[[World], object]


class Line(NamedTuple):
    """A line of the table as a test: raise the alert, read its message, clear it."""

    begin: Callable[[], World]
    message: str
    cleared: dict[ClearedBy, Act]


def charging(*, draws: float = 1.0) -> World:
    """Have a vehicle charge for an hour of the plan, or draw nothing."""
    world = World(kowhai(), EVENING, draws=draws)
    world.read()
    world.plug_in(35.0)
    world.wait(NIGHT_BEGINS + HOUR)
    return world


def without_departure() -> World:
    world = World(household(departure={}), EVENING)
    world.plug_in(50.0)
    return world


def declare_a_departure(world: World) -> None:
    world.house = household()
    world.handle(HouseChanged("file"))


def without_prices() -> World:
    world = World(priced([]), EVENING)
    world.plug_in(50.0)
    return world


def learn_prices(world: World) -> None:
    world.house = priced(range(-24, 40))
    world.handle(HouseChanged("prices"))


def nearly_empty() -> World:
    world = World(household(vehicle=BIG), EVENING)
    world.plug_in(5.0)
    return world


def follow(world: World) -> None:
    world.draws, world.stuck_watts = 1.0, None
    world.wait(world.now + 2 * MINUTE)


def with_a_stuck_relay() -> World:
    world = World(kowhai(), EVENING)
    world.read()
    world.plug_in(35.0)
    world.stuck_watts = 7360.0
    world.wait(EVENING + 20 * MINUTE)
    return world


def with_too_much_current() -> World:
    house = kowhai()
    weekdays, *others = house.file.departures
    once = weekdays.model_copy(update={"returns": None})  # the next need alone is planned, and met
    file = house.file.model_copy(update={"departures": [once, *others]})
    world = World(replace(house, file=file), EVENING, takes_amps=40.0)
    world.read()
    world.plug_in(65.0)
    world.wait(NIGHT_BEGINS + 3 * MINUTE)
    return world


def obey_again(world: World) -> None:
    """Show a kept current while what the equipment took would be allowed."""
    excess = ExcessCurrent(told_amps=16.0, taken_amps=32.0)
    watch = replace(world.state.current_watch, excess=excess)
    world.state = replace(world.state, current_watch=watch)
    world.takes_amps, world.reports_amps = None, True
    world.ask(charge_now=True)
    world.wait(world.now + 25 * MINUTE)  # the contactor rests first


def told_one_phase() -> World:
    """Charge on one phase for some minutes more, with equipment that takes all three."""
    world = World(switched_house(), EVENING, keeps_all_phases=True, reports_amps=True)
    world.state = replace(world.state, switches=LastSwitches(phases=1, phases_at=EVENING - MINUTE))
    world.read()
    world.plug_in(35.0)
    world.ask(charge_now=True)
    world.wait(EVENING + 3 * MINUTE)
    return world


def never_switch(world: World) -> None:
    world.house = household()
    world.handle(HouseChanged("file"))


def with_a_silent_meter() -> World:
    world = charging()
    world.wait(world.now + 20 * MINUTE, read_every=None)
    return world


def register(world: World, more_wh: int) -> None:
    assert world.state.register is not None
    kwh = (world.state.register.register_wh + more_wh) / 1000
    world.handle(MeterRead(Reading(at=world.now, register_kwh=kwh)))


def with_a_register_that_falls() -> World:
    world = charging()
    for more_wh in (-5, -5, 0, 5, -5, -5):  # twice in a row is no sign of anything yet
        register(world, more_wh)
    assert "register-falls" not in world.state.alerts
    register(world, -5)
    return world


def with_hardware_that_is_gone() -> World:
    world = charging()
    world.handle(HardwareChanged(available=False))
    assert (world.state.watts, "hardware-gone" in world.state.alerts) == (None, False)
    world.wait(world.now + 3 * MINUTE, read_every=None)
    return world


def ended_by_itself() -> World:
    world = charging()
    world.draws = 0.0
    world.wait(world.now + HOUR)
    return world


def after_the_last_price() -> World:
    world = World(priced(range(-24, 2)), EVENING)
    world.advance(FULL_HOUR + 2 * HOUR)
    world.handle(TimePassed())
    return world


def after(*events: Delivered | EquipmentHealth | HardwareChanged | HouseholdHealth) -> World:
    world = World(kowhai(), EVENING)
    for event in (TimePassed(), *events):
        world.handle(event)
    return world


def delivery(outcome: str) -> Delivered:
    return Delivered(COMMAND, outcome, is_command=True, why="no rights")  # type: ignore[arg-type]  # one of three


def leave(world: World) -> None:
    world.unplug()
    world.handle(TimePassed())


def restart(world: World) -> None:
    """Start again from the saved state."""
    saved = read_saved(saved_body(world.state))
    world.state = PointState(POINT, alerts=saved.memory.alerts)


LINES = {
    "no-departure": Line(
        without_departure,
        "No departure is declared for this charge point: nothing can be planned.",
        {ClearedBy.PLAN: declare_a_departure, ClearedBy.VEHICLE_GONE: leave},
    ),
    "no-rate": Line(
        without_prices,
        "Nothing can be planned: no prices of Hourly are known yet",
        {ClearedBy.PLAN: learn_prices, ClearedBy.VEHICLE_GONE: leave},
    ),
    "need-out-of-reach": Line(
        nearly_empty,
        "hatchback needs 60 % and will reach 48 %: 27.8 kWh are missing.",
        {
            ClearedBy.NEED_IN_REACH: lambda world: world.report(soc_percent=55.0),
            ClearedBy.SKIPPED: lambda world: world.ask(skip_until=world.now + HOUR),
            ClearedBy.VEHICLE_GONE: leave,
        },
    ),
    "no-power-after-start": Line(
        lambda: charging(draws=0.0),
        "driveway was told to start, and no power flows: hatchback is connected and draws nothing."
        " It may be full, or wait for its own timer.",
        {ClearedBy.POWER_FLOWS: follow, ClearedBy.VEHICLE_GONE: leave},
    ),
    "power-after-stop": Line(
        with_a_stuck_relay,
        "driveway was told to stop, and power still flows (7360 W). Look at it.",
        {ClearedBy.POWER_AS_COMMANDED: follow},
    ),
    "over-current": Line(
        with_too_much_current,
        "driveway took 40 A when it was told 32 A. Look at it, and say with `lullwatt ask"
        " --equipment-checked` that you did.",
        {
            ClearedBy.CHECKED: lambda world: world.ask(equipment_checked=True),
            ClearedBy.CURRENT_AS_COMMANDED: obey_again,
        },
    ),
    "no-reading": Line(
        with_a_silent_meter,
        "The meter of driveway has reported nothing since 2026-06-03 09:59 UTC: whether the vehicle"
        " charges is not known.",
        {ClearedBy.READING: World.read},
    ),
    "register-falls": Line(
        with_a_register_that_falls,
        "The energy register of driveway falls while it charges: what flows is not recorded. Is its"
        " sign reversed? For wired hardware, scale: -1 under energy turns it.",
        {ClearedBy.REGISTER_RISES: lambda world: register(world, 10)},
    ),
    "hardware-gone": Line(
        with_hardware_that_is_gone,
        "driveway is gone, as its own message said at 2026-06-03 10:00 UTC: its values count for"
        " nothing until it says that it is back.",
        {
            ClearedBy.HARDWARE_BACK: lambda world: world.handle(HardwareChanged(available=True)),
            ClearedBy.RESTART: restart,
        },
    ),
    "no-answer": Line(
        lambda: after(HardwareChanged(trouble="it does not acknowledge `STOP`")),
        "driveway does not do what it is told: it does not acknowledge `STOP`.",
        {
            ClearedBy.ANSWER: lambda world: world.handle(HardwareChanged(trouble="")),
            ClearedBy.RESTART: restart,
        },
    ),
    "ended-short-of-need": Line(
        ended_by_itself,
        "hatchback ended its charge by itself at about 48 %; it needs 60 %. It may be full, or have"
        " its own limit or timer.",
        {ClearedBy.VEHICLE_GONE: leave},
    ),
    "prices-ended": Line(
        after_the_last_price,
        "The prices of Hourly ended on Wed 03 Jun at 20:00: until new ones come, plans rest on"
        " estimates.",
        {ClearedBy.NEW_PRICES: learn_prices},
    ),
    "broker-refuses": Line(
        lambda: after(delivery("refused")),
        f"The broker refuses what is published on {COMMAND}: no rights.",
        {
            ClearedBy.ALL_ACCEPTED: lambda world: world.handle(delivery("accepted")),
            ClearedBy.RESTART: restart,
        },
    ),
    "nobody-listens": Line(
        lambda: after(delivery("nobody-listens")),
        f"Nothing listens to the commands for driveway (topic {COMMAND}): whatever switches the"
        " charging is not connected, or waits on another topic.",
        {
            ClearedBy.SUBSCRIBER: lambda world: world.handle(delivery("accepted")),
            ClearedBy.RESTART: restart,
        },
    ),
    "no-broker": Line(
        lambda: after(HouseholdHealth("no-broker", "nothing listens at 127.0.0.1:1883")),
        "The broker can't be reached: nothing listens at 127.0.0.1:1883.",
        {
            ClearedBy.BROKER: lambda world: world.handle(HouseholdHealth("no-broker", None)),
            ClearedBy.RESTART: restart,
        },
    ),
    "file-refused": Line(
        lambda: after(HouseholdHealth("file-refused", "house.yaml:9:5: unknown key 'nam'")),
        "The changed household file is not in force: house.yaml:9:5: unknown key 'nam'.",
        {
            ClearedBy.FILE: lambda world: world.handle(HouseholdHealth("file-refused", None)),
            ClearedBy.RESTART: restart,
        },
    ),
    "all-phases": Line(
        told_one_phase,
        "driveway was told to draw 3680 W on one phase and draws 11040 W: it does not switch"
        " phases. Look at it, and say with `lullwatt ask --equipment-checked` that you did, or take"
        " phase_switching_seconds out of the file.",
        {
            ClearedBy.CHECKED: lambda world: world.ask(equipment_checked=True),
            ClearedBy.NEVER_SWITCHED: never_switch,
        },
    ),
    "grid-meter-reversed": Line(
        lambda: after(HouseholdHealth("grid-meter-reversed", "what the home takes falls")),
        "The grid meter seems to be the wrong way round: what the home takes falls. What the home"
        " takes must be positive; scale: -1 under grid_meter turns it.",
        {
            ClearedBy.METER_TURNED: lambda world: world.handle(
                HouseholdHealth("grid-meter-reversed", None)
            ),
            ClearedBy.RESTART: restart,
        },
    ),
    "forecast-refused": Line(
        lambda: after(HouseholdHealth("forecast-refused", "it ends at 2026-06-01 20:00 UTC")),
        "A forecast of the sun is dropped: it ends at 2026-06-01 20:00 UTC.",
        {
            ClearedBy.GOOD_FORECAST: lambda world: world.handle(
                HouseholdHealth("forecast-refused", None)
            ),
            ClearedBy.RESTART: restart,
        },
    ),
    "forecast-ended": Line(
        lambda: after(HouseholdHealth("forecast-ended", "the last one ended at Mon 01 Jun 08:00")),
        "No new forecast of the sun has come: the last one ended at Mon 01 Jun 08:00.",
        {
            ClearedBy.GOOD_FORECAST: lambda world: world.handle(
                HouseholdHealth("forecast-ended", None)
            ),
            ClearedBy.RESTART: restart,
        },
    ),
    "carbon-refused": Line(
        lambda: after(HouseholdHealth("carbon-refused", "they end at 2026-06-01 20:00 UTC")),
        "Carbon intensities are dropped: they end at 2026-06-01 20:00 UTC.",
        {
            ClearedBy.GOOD_INTENSITIES: lambda world: world.handle(
                HouseholdHealth("carbon-refused", None)
            ),
            ClearedBy.RESTART: restart,
        },
    ),
    "calendar-old": Line(
        lambda: after(HouseholdHealth("calendar-old", "family can't be read (it is cut off)")),
        "The calendar family can't be read (it is cut off).",
        {
            ClearedBy.CALENDAR_READ: lambda world: world.handle(
                HouseholdHealth("calendar-old", None)
            ),
            ClearedBy.RESTART: restart,
        },
    ),
    "calendar-event": Line(
        lambda: after(HouseholdHealth("calendar-event", "family, line 3: 'Car': it repeats")),
        "An event of the calendar family, line 3: 'Car': it repeats.",
        {
            ClearedBy.EVENTS_CLEAR: lambda world: world.handle(
                HouseholdHealth("calendar-event", None)
            ),
            ClearedBy.RESTART: restart,
        },
    ),
    "ledger-refuses": Line(
        lambda: after(HouseholdHealth("ledger-refuses", "the disk is full")),
        "Nothing can be recorded: the disk is full. Charging goes on, and what arrives meanwhile is"
        " recorded later.",
        {
            ClearedBy.LEDGER_WRITTEN: lambda world: world.handle(
                HouseholdHealth("ledger-refuses", None)
            ),
            ClearedBy.RESTART: restart,
        },
    ),
    "no-backup": Line(
        lambda: after(HouseholdHealth("no-backup", "no room for a copy")),
        "The ledger could not be backed up: no room for a copy",
        {
            ClearedBy.BACKUP: lambda world: world.handle(HouseholdHealth("no-backup", None)),
            ClearedBy.RESTART: restart,
        },
    ),
    "wrong-passwords": Line(
        lambda: after(HouseholdHealth("wrong-passwords", "10 lately, the last one from 10.0.0.9")),
        "Wrong passwords come over OCPP: 10 lately, the last one from 10.0.0.9. Look for equipment"
        " with an old password, or for somebody in your network who guesses.",
        {
            ClearedBy.NO_MORE_GUESSES: lambda world: world.handle(
                HouseholdHealth("wrong-passwords", None)
            ),
            ClearedBy.RESTART: restart,
        },
    ),
    "grid-limited": Line(
        lambda: after(HouseholdHealth("grid-limited", "The grid operator allows only 4.2 kW")),
        "The grid operator allows only 4.2 kW. Charging keeps below it, whatever anybody asks for.",
        {
            ClearedBy.LIMIT_OVER: lambda world: world.handle(HouseholdHealth("grid-limited", None)),
        },
    ),
    "equipment-refuses": Line(
        lambda: after(EquipmentHealth("equipment-refuses", "RemoteStartTransaction: Rejected")),
        "driveway refuses its command. RemoteStartTransaction: Rejected.",
        {
            ClearedBy.OBEYED: lambda world: world.handle(
                EquipmentHealth("equipment-refuses", None)
            ),
            ClearedBy.RESTART: restart,
        },
    ),
    "equipment-pauses": Line(
        lambda: after(EquipmentHealth("equipment-pauses", "it may be too hot")),
        "driveway pauses by itself: it may be too hot.",
        {
            ClearedBy.RESUMED: lambda world: world.handle(
                EquipmentHealth("equipment-pauses", None)
            ),
            ClearedBy.RESTART: restart,
        },
    ),
    "no-current-control": Line(
        lambda: after(EquipmentHealth("no-current-control", "it has no Smart Charging")),
        "The current of driveway can't be set over OCPP: it has no Smart Charging. Say switching:"
        " on_off in the household file, and as max_amps the current that it gives by itself.",
        {
            ClearedBy.CURRENT_SET: lambda world: world.handle(
                EquipmentHealth("no-current-control", None)
            ),
            ClearedBy.RESTART: restart,
        },
    ),
}


def test_the_tables_are_the_same() -> None:
    """Each code has a rule, each rule a line here, and each line clears it in every way."""
    codes = {
        value for name, value in vars(alerts).items() if name.isupper() and isinstance(value, str)
    }
    assert set(ALERTS) == codes
    cleared = {code: set(rule.cleared_by) for code, rule in ALERTS.items()}
    assert {code: set(line.cleared) for code, line in LINES.items()} == cleared


@pytest.mark.parametrize("code", LINES)
def test_an_alert_is_raised_once_with_its_message(code: str) -> None:
    """The person is warned a single time, with the facts in the message."""
    world = LINES[code].begin()
    assert world.state.alerts == {code}
    (message,) = [a.message for _, a in world.actions if isinstance(a, Warn) and a.code == code]
    assert message == LINES[code].message


@pytest.mark.parametrize(
    ("code", "by"), [(code, by) for code, line in LINES.items() for by in line.cleared]
)
def test_an_alert_is_cleared(code: str, by: ClearedBy) -> None:
    """Each thing that the table names clears the alert."""
    world = LINES[code].begin()
    LINES[code].cleared[by](world)
    assert code not in world.state.alerts


@pytest.mark.parametrize(
    "code", [code for code, rule in ALERTS.items() if ClearedBy.VEHICLE_GONE not in rule.cleared_by]
)
def test_other_alerts_survive_a_vehicle_that_leaves(code: str) -> None:
    """What is wrong with the meter, the relay or the household stays wrong without a vehicle."""
    world = LINES[code].begin()
    leave(world)
    assert code in world.state.alerts


@pytest.mark.parametrize("by", ClearedBy)
def test_clearing_removes_nothing_else(by: ClearedBy) -> None:
    """Of all alerts at once, those go that name it; and one that only another version knows."""
    state = PointState(POINT, alerts=frozenset({*ALERTS, "from-another-version"}))
    kept = {code for code, rule in ALERTS.items() if by not in rule.cleared_by}
    assert clear_alerts(state, by).alerts == kept


def test_an_alert_that_holds_is_not_raised_again() -> None:
    """Neither the state changes nor is anybody warned."""
    state, warnings = raise_alert(PointState(POINT), alerts.NO_DEPARTURE)
    assert len(warnings) == 1
    assert raise_alert(state, alerts.NO_DEPARTURE) == (state, ())


def test_facts_may_hold_braces() -> None:
    """A name or a reason from outside is never taken for a place to fill."""
    state = replace(PointState(POINT), charge_point="{vehicle}")
    (_, (warning,)) = raise_alert(state, alerts.NO_RATE, reason="{0} {charge_point}")
    assert isinstance(warning, Warn)
    assert warning.message == "Nothing can be planned: {0} {charge_point}"


def test_the_page_of_the_bus_has_the_same_table() -> None:
    """Each code, what raises it and what clears it, word for word and in the same order."""
    page = BUS_PAGE.read_text("utf-8")
    lines = re.findall(r"^\| `([a-z-]+)` \| ([^|]+) \| ([^|]+) \|$", page, re.MULTILINE)
    assert [line for line in lines if line[0] in ALERTS] == [
        (code, rule.raised_when, ", or ".join(by.value for by in rule.cleared_by))
        for code, rule in ALERTS.items()
    ]


def test_what_happens_meanwhile_is_one_short_sentence() -> None:
    """A night's story shows it behind the message."""
    sentences = [rule.meanwhile for rule in ALERTS.values()]
    assert all(words.endswith(".") and words.count(".") == 1 for words in sentences)
    assert all(len(words) < 80 for words in sentences)


def test_a_trouble_that_changes_its_words_warns_once() -> None:
    """Each new command has another serial; the alert holds until the hardware answers."""
    world = after(*(HardwareChanged(trouble=f"no answer to `STOP #{n}`") for n in (1, 2)))
    warned = [a for _, a in world.actions if isinstance(a, Warn) and a.code == "no-answer"]
    assert [each.message for each in warned] == [
        "driveway does not do what it is told: no answer to `STOP #1`."
    ]
