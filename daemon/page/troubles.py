"""What is wrong in the householder's words, and what they can do about it. Pure.

`daemon.control.alerts` says the same for whoever runs the machine.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import timedelta
from typing import TYPE_CHECKING, Final, NamedTuple

from daemon.control.alerts import (
    ALL_PHASES,
    BROKER_REFUSES,
    CALENDAR_EVENT,
    CALENDAR_OLD,
    CARBON_REFUSED,
    ENDED_SHORT,
    EQUIPMENT_PAUSES,
    EQUIPMENT_REFUSES,
    FILE_REFUSED,
    FORECAST_ENDED,
    FORECAST_REFUSED,
    GRID_LIMITED,
    GRID_METER_REVERSED,
    HARDWARE_GONE,
    LEDGER_REFUSES,
    NO_ANSWER,
    NO_BACKUP,
    NO_BROKER,
    NO_CURRENT_CONTROL,
    NO_DEPARTURE,
    NO_POWER,
    NO_RATE,
    NO_READING,
    NOBODY_LISTENS,
    OUT_OF_REACH,
    OVER_CURRENT,
    POWER_AFTER_STOP,
    PRICES_ENDED,
    REGISTER_FALLS,
    WRONG_PASSWORDS,
)
from daemon.remote.conversation import why_not_running

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping
    from datetime import datetime

    from adapters.contract.messages import Status
    from adapters.ledger.rows import StoredAlert
    from config.household.household_file import HouseholdFile
    from daemon.night_log.month import AlertRow
    from daemon.page.charged import ChargedTonight
    from daemon.page.words import Words
    from daemon.remote.health import Report


class AlertWords(NamedTuple):
    """What is wrong, and what to do."""

    text: str
    advice: str


ALERT_WORDS: Final[Mapping[str, AlertWords]] = {
    NO_DEPARTURE: AlertWords(
        "Nothing is planned: no departure is known.",
        "Ask for a trip, or add a departure to the household file.",
    ),
    NO_RATE: AlertWords(
        "Nothing is planned: no price is known.",
        "Look at the tariff in the household file, or charge now.",
    ),
    OUT_OF_REACH: AlertWords(
        "There is too little time: the vehicle will not have all it needs.",
        "What can still be charged is charged. Leave later, or charge on the way.",
    ),
    NO_POWER: AlertWords(
        "Charging was started three times, and no power flows.",
        "Look at the plug and at the charge point. The vehicle may be full or have its own timer.",
    ),
    POWER_AFTER_STOP: AlertWords(
        "Charging was stopped three times, and power still flows.",
        "Go and look at the charge point. Unplug the vehicle if you are in doubt.",
    ),
    ALL_PHASES: AlertWords(
        "The charge point was told to charge on one phase, and draws on more.",
        "Until it is checked it charges on all its phases. If all is in order, say so here.",
    ),
    OVER_CURRENT: AlertWords(
        "The charge point takes more current than it was told.",
        "Go and look at it. If plug and cable are cool and all is in order, say so here.",
    ),
    NO_READING: AlertWords(
        "The meter has sent nothing for 15 minutes: nobody can tell whether the vehicle charges.",
        "Look whether the meter and its network work.",
    ),
    REGISTER_FALLS: AlertWords(
        "The meter of the charge point runs backwards: what is charged is not recorded.",
        "Whoever set up Lullwatt should turn its sign (scale: -1 under energy).",
    ),
    HARDWARE_GONE: AlertWords(
        "The hardware that switches the charging is gone.",
        "Look whether it has power and reaches the network.",
    ),
    NO_ANSWER: AlertWords(
        "The hardware that switches the charging does not answer.",
        "Look at it, and whether it switches.",
    ),
    ENDED_SHORT: AlertWords(
        "The vehicle ended its charge by itself, below what it needs.",
        "Look whether the vehicle has its own limit or timer. Charge now tries again.",
    ),
    PRICES_ENDED: AlertWords(
        "No new prices or announced days have come: the hours are chosen by estimates.",
        "Look whether what sends them works.",
    ),
    BROKER_REFUSES: AlertWords(
        "The message broker refuses messages: the charge point may not hear its commands.",
        "Whoever set up Lullwatt should look at the broker's access list.",
    ),
    NOBODY_LISTENS: AlertWords(
        "The charge point is not connected: it does not hear its commands.",
        "Look whether it has power and reaches the network.",
    ),
    NO_BROKER: AlertWords(
        "The message broker was away.",
        "If this stays, restart the machine that it runs on.",
    ),
    FILE_REFUSED: AlertWords(
        "A change of the household file has a fault: the file as it was before stays in force.",
        "Run lullwatt check: it names the line.",
    ),
    FORECAST_REFUSED: AlertWords(
        "A forecast of the sun has faults: plans count on the one before it, or on no sun.",
        "Look whether what sends them works.",
    ),
    FORECAST_ENDED: AlertWords(
        "No new forecast of the sun has come: plans count on less sun, or on none.",
        "Look whether what sends them works.",
    ),
    CARBON_REFUSED: AlertWords(
        "Values of the grid's carbon have faults: plans count on those before them.",
        "Look whether what sends them works.",
    ),
    CALENDAR_OLD: AlertWords(
        "The calendar may be out of date: what it said last counts.",
        "Look whether the calendar can be reached, and whether its address has changed.",
    ),
    CALENDAR_EVENT: AlertWords(
        "An event of the calendar can't be understood.",
        "Look at its title in the calendar. lullwatt check says what is wrong.",
    ),
    GRID_METER_REVERSED: AlertWords(
        "The meter between home and grid seems to be the wrong way round.",
        "Have it turned round in the household file (scale: -1 under grid_meter).",
    ),
    LEDGER_REFUSES: AlertWords(
        "Nothing can be recorded. Charging goes on.",
        "Look whether the disk of the machine is full.",
    ),
    NO_BACKUP: AlertWords(
        "The record could not be copied. Charging goes on.",
        "Look whether the disk of the machine is full.",
    ),
    WRONG_PASSWORDS: AlertWords(
        "Somebody tries wrong passwords for a charge point.",
        "Look for equipment with an old password, or for a stranger in your network.",
    ),
    GRID_LIMITED: AlertWords(
        "The grid operator limits how much may be drawn: charging keeps below it.",
        "Nothing is to be done. If a vehicle must leave soon, charge on the way.",
    ),
    EQUIPMENT_REFUSES: AlertWords(
        "The charge point refuses what it is told.",
        "Look whether the vehicle is plugged in, and switch the charge point off and on again.",
    ),
    NO_CURRENT_CONTROL: AlertWords(
        "The current of the charge point can't be set.",
        "Have switching: on_off written into the household file for it.",
    ),
    EQUIPMENT_PAUSES: AlertWords(
        "The charge point pauses by itself.",
        "It may be too hot, or limited by another system. The charge goes on when it does.",
    ),
}
"""By the alert's code."""

CLOCKS_APART: Final = timedelta(minutes=2)

ADVICE = "Restart the machine that it runs on. If that does not help, ask whoever set it up."


@dataclass(frozen=True, slots=True)
class Trouble:
    """Something that is wrong.

    Attributes
    ----------
    text : str
        What it is.
    advice : str
        What it means or what to do.
    can_be_checked : bool
        Whether a person may say that the equipment was looked at.
    detail : str
        What helps whoever set up Lullwatt.
    is_fault : bool
        Whether something is wrong; else it only says what is to be expected.
    """

    text: str
    advice: str = ""
    can_be_checked: bool = field(default=False, kw_only=True)
    detail: str = field(default="", kw_only=True)
    is_fault: bool = field(default=True, kw_only=True)


def home_trouble(
    report: Report, file: HouseholdFile, now: datetime, words: Words
) -> Trouble | None:
    """Return what is wrong with the daemon or the broker; None if both can be reached.

    Parameters
    ----------
    report
        The daemon's last messages.
    file
        The household.
    now
        UTC.
    words
        The reader's.

    Returns
    -------
    Trouble or None
        The points then show only what was last known.
    """
    if report.no_broker is not None:
        return Trouble(
            words.say("The page has no connection to the broker: this is what it last knew."),
            words.say(ADVICE),
            detail=report.no_broker,
        )
    if abs(report.ahead) >= CLOCKS_APART:
        return _clocks_apart(report.ahead, words)
    absent = why_not_running(report.daemon, file, now)
    if absent is None:
        return None
    return Trouble(
        words.say("Lullwatt does not answer: this is what it last said."),
        words.say(ADVICE),
        detail=absent,
    )


def _clocks_apart(ahead: timedelta, words: Words) -> Trouble:
    minutes = round(abs(ahead) / timedelta(minutes=1))
    if ahead > timedelta():
        text = words.say("Lullwatt's clock is {minutes} min ahead of this page's: times here may be"
                         " wrong.", minutes=minutes)  # fmt: skip
    else:
        text = words.say("Lullwatt's clock is {minutes} min behind this page's: times here may be"
                         " wrong.", minutes=minutes)  # fmt: skip
    return Trouble(text, words.say("Let both machines set their clocks by the network."))


def record_trouble(tonight: ChargedTonight, words: Words) -> Trouble | None:
    """Return why it is not known what has been charged; None if it is."""
    if not tonight.unreadable:
        return None
    return Trouble(
        words.say("The record can't be read: what has been charged is not shown."),
        detail=tonight.unreadable,
    )


def point_troubles(status: Status, now: datetime, words: Words) -> Iterator[Trouble]:
    """Say what is wrong at one charge point."""
    if now > status.stale_after:
        yield Trouble(words.say("This is old: nothing has been heard since {time}.",
                                time=words.when(status.at, now)))  # fmt: skip
    for code in status.alerts:
        known = ALERT_WORDS.get(code)
        if known is None:  # of a newer daemon
            yield Trouble(code)
        else:
            checked = code in {ALL_PHASES, OVER_CURRENT}
            yield Trouble(
                words.say(known.text),
                words.say(known.advice),
                can_be_checked=checked,
                is_fault=code != OUT_OF_REACH,
            )


@dataclass(frozen=True, slots=True)
class PastAlert:
    """An alert that was raised, and when."""

    when: str
    text: str


def past_alerts(
    alerts: Iterable[StoredAlert | AlertRow], now: datetime, words: Words
) -> tuple[PastAlert, ...]:
    """Return the alerts in the householder's words, the latest first."""
    return tuple(
        PastAlert(words.day_and_time(each.at, now), _past_text(each, words))
        for each in sorted(alerts, key=lambda each: each.at, reverse=True)
    )


def _past_text(alert: StoredAlert | AlertRow, words: Words) -> str:
    known = ALERT_WORDS.get(alert.code)
    text = alert.message if known is None else words.say(known.text)
    return text if alert.charge_point is None else f"{alert.charge_point}: {text}"
