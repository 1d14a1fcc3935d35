"""The table of alerts: what raises each, what clears it, and what the person is told. Pure."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import Enum
from typing import TYPE_CHECKING, Final

from daemon.control.events import Warn

if TYPE_CHECKING:
    from collections.abc import Mapping

    from daemon.control.events import Action
    from daemon.control.state import PointState

NO_DEPARTURE = "no-departure"
NO_RATE = "no-rate"
OUT_OF_REACH = "need-out-of-reach"
NO_POWER = "no-power-after-start"
POWER_AFTER_STOP = "power-after-stop"
OVER_CURRENT = "over-current"
ALL_PHASES = "all-phases"
NO_READING = "no-reading"
REGISTER_FALLS = "register-falls"
HARDWARE_GONE = "hardware-gone"
NO_ANSWER = "no-answer"
ENDED_SHORT = "ended-short-of-need"
PRICES_ENDED = "prices-ended"
BROKER_REFUSES = "broker-refuses"
NOBODY_LISTENS = "nobody-listens"
NO_BROKER = "no-broker"
FILE_REFUSED = "file-refused"
FORECAST_REFUSED = "forecast-refused"
FORECAST_ENDED = "forecast-ended"
CARBON_REFUSED = "carbon-refused"
CALENDAR_OLD = "calendar-old"
CALENDAR_EVENT = "calendar-event"
GRID_METER_REVERSED = "grid-meter-reversed"
LEDGER_REFUSES = "ledger-refuses"
NO_BACKUP = "no-backup"
WRONG_PASSWORDS = "wrong-passwords"
GRID_LIMITED = "grid-limited"
EQUIPMENT_REFUSES = "equipment-refuses"
NO_CURRENT_CONTROL = "no-current-control"
EQUIPMENT_PAUSES = "equipment-pauses"


class ClearedBy(Enum):
    """What clears an alert, in words for people."""

    PLAN = "a plan can be made"
    NEED_IN_REACH = "a new plan meets the need"
    SKIPPED = "a person asks to charge nothing for now or is away"
    POWER_FLOWS = "power flows after a start"
    POWER_AS_COMMANDED = "the power follows the command"
    CURRENT_AS_COMMANDED = "the equipment keeps to a lower current again"
    NEVER_SWITCHED = "the household file no longer has its phases switched"
    CHECKED = "a person says that the equipment was checked"
    READING = "the meter reports again"
    REGISTER_RISES = "the energy register rises again"
    HARDWARE_BACK = "the hardware says that it is there again"
    ANSWER = "the hardware answers again"
    NEW_PRICES = "new prices come"
    ALL_ACCEPTED = "the broker accepts all topics again"
    BROKER = "the broker can be reached again"
    SUBSCRIBER = "something subscribes to the commands"
    FILE = "the household file has no faults, and needs no restart"
    GOOD_FORECAST = "a good forecast comes"
    GOOD_INTENSITIES = "good intensities come"
    CALENDAR_READ = "the calendar can be read again, and is fetched again"
    EVENTS_CLEAR = "all events of the calendars can be understood"
    METER_TURNED = "the grid meter shows charging the right way round"
    LEDGER_WRITTEN = "the ledger can be written again"
    BACKUP = "a backup succeeds"
    NO_MORE_GUESSES = "no wrong password has come for an hour, or the right one from there"
    LIMIT_OVER = "no limit of the grid operator has held for a minute"
    OBEYED = "the equipment accepts a command"
    RESUMED = "the equipment gives current again, or is to give none"
    CURRENT_SET = "the equipment accepts a limit of its current"
    VEHICLE_GONE = "the vehicle leaves, or its departure passes"
    RESTART = "the daemon restarts"


@dataclass(frozen=True, slots=True)
class AlertRule:
    """One line of the table.

    Attributes
    ----------
    raised_when : str
        What raises the alert, in words for people.
    cleared_by : tuple of ClearedBy
        What clears it: any one of these.
    message : str
        What the person is told; `raise_alert` fills in the facts.
    meanwhile : str
        What the daemon does while the alert holds, or what it means for a night: one sentence.
    of_household : bool
        Whether it concerns the whole household, whichever charge point raises it.
    """

    raised_when: str
    cleared_by: tuple[ClearedBy, ...]
    message: str
    meanwhile: str
    of_household: bool = False


ALERTS: Final[Mapping[str, AlertRule]] = {
    NO_DEPARTURE: AlertRule(
        "no departure is declared: nothing can be planned",
        (ClearedBy.PLAN, ClearedBy.VEHICLE_GONE),
        "No departure is declared for this charge point: nothing can be planned.",
        "It waits until a departure is declared, or somebody asks for one.",
    ),
    NO_RATE: AlertRule(
        "no rate is known: nothing can be planned",
        (ClearedBy.PLAN, ClearedBy.VEHICLE_GONE),
        "Nothing can be planned: {reason}",
        "It waits until a rate is known.",
    ),
    OUT_OF_REACH: AlertRule(
        "a need can't be met in time: that of the next departure, or of a later one that is"
        " planned",
        (ClearedBy.NEED_IN_REACH, ClearedBy.SKIPPED, ClearedBy.VEHICLE_GONE),
        "{vehicle} needs {need_percent:.0f} %{by} and will reach {reaches_percent:.0f} %:"
        " {missing_kwh:.1f} kWh are missing.",
        "What can still be done by then is planned.",
    ),
    NO_POWER: AlertRule(
        "a start was sent three times, and no power flows",
        (ClearedBy.POWER_FLOWS, ClearedBy.VEHICLE_GONE),
        "{charge_point} was told to start, and no power flows: {reason}",
        "The command to charge is sent again with each renewal.",
    ),
    POWER_AFTER_STOP: AlertRule(
        "a stop was sent three times, and power still flows: look at it",
        (ClearedBy.POWER_AS_COMMANDED,),
        "{charge_point} was told to stop, and power still flows{watts}. Look at it.",
        "The command to stop is sent again, every 15 minutes at the latest.",
    ),
    OVER_CURRENT: AlertRule(
        "more current flows than was commanded: look at it",
        (ClearedBy.CURRENT_AS_COMMANDED, ClearedBy.CHECKED),
        "{charge_point} {excess}. Look at it, and say with `lullwatt ask --equipment-checked` that"
        " you did.",
        "Until it is checked it charges only where the current that it takes is allowed.",
    ),
    ALL_PHASES: AlertRule(
        "it was told to charge on one phase, and draws more than one carries: look at it",
        (ClearedBy.CHECKED, ClearedBy.NEVER_SWITCHED),
        "{charge_point} was told to draw {told:.0f} W on one phase and draws {watts:.0f} W: it does"
        " not switch phases. Look at it, and say with `lullwatt ask --equipment-checked` that you"
        " did, or take phase_switching_seconds out of the file.",
        "Until it is checked it charges on all its phases.",
    ),
    NO_READING: AlertRule(
        "the meter reported nothing for 15 minutes of a charge",
        (ClearedBy.READING,),
        "The meter of {charge_point} has reported nothing since {since:%Y-%m-%d %H:%M} UTC: whether"
        " the vehicle charges is not known.",
        "Until the meter reports again nobody can tell whether it charges.",
    ),
    REGISTER_FALLS: AlertRule(
        "the energy register fell three times in a row: it is no reset",
        (ClearedBy.REGISTER_RISES,),
        "The energy register of {charge_point} falls while it charges: what flows is not recorded."
        " Is its sign reversed? For wired hardware, scale: -1 under energy turns it.",
        "No energy is recorded as long as the register falls.",
    ),
    HARDWARE_GONE: AlertRule(
        "wired hardware has said, or its Will has, that it is gone, for longer than"
        " `confirm_seconds`",
        (ClearedBy.HARDWARE_BACK, ClearedBy.RESTART),
        "{charge_point} is gone, as its own message said at {since:%Y-%m-%d %H:%M} UTC: its values"
        " count for nothing until it says that it is back.",
        "Nobody can tell whether it charges; once it is back its command is sent again.",
    ),
    NO_ANSWER: AlertRule(
        "wired hardware does not acknowledge a command, or does not report whether it is on",
        (ClearedBy.ANSWER, ClearedBy.RESTART),
        "{charge_point} does not do what it is told: {reason}.",
        "The command is sent again with each renewal and repetition.",
    ),
    ENDED_SHORT: AlertRule(
        "the vehicle ended its charge below what it needs",
        (ClearedBy.VEHICLE_GONE,),
        "{vehicle} ended its charge by itself at about {soc_percent:.0f} %; it needs"
        " {need_percent:.0f} %. It may be full, or have its own limit or timer.",
        "Nothing more is tried until it is plugged in again, or somebody asks.",
    ),
    PRICES_ENDED: AlertRule(
        "a price series stopped, or no day is announced: plans rest on estimates",
        (ClearedBy.NEW_PRICES,),
        "The {what} of {tariff} ended on {ended:%a %d %b} at {ended:%H:%M}: until new ones come,"
        " plans rest on estimates.",
        "Until new prices or announcements come, hours are chosen by estimates.",
        of_household=True,
    ),
    BROKER_REFUSES: AlertRule(
        "the broker refuses a topic (MQTT 5): see its access list",
        (ClearedBy.ALL_ACCEPTED, ClearedBy.RESTART),
        "The broker refuses what is published on {topic}: {reason}.",
        "Commands may not reach the charge point.",
        of_household=True,
    ),
    NOBODY_LISTENS: AlertRule(
        "nothing at all subscribes to the commands (MQTT 5); a dashboard counts as a subscriber."
        " After the broker was away, hardware has 90 seconds to connect again",
        (ClearedBy.SUBSCRIBER, ClearedBy.RESTART),
        "Nothing listens to the commands for {charge_point} (topic {topic}): whatever switches the"
        " charging is not connected, or waits on another topic.",
        "Commands do not reach the charge point.",
        of_household=True,
    ),
    NO_BROKER: AlertRule(
        "the broker has not been reachable for a minute; only `on_alert` can say so meanwhile",
        (ClearedBy.BROKER, ClearedBy.RESTART),
        "The broker can't be reached: {reason}.",
        "A start sent before ends by itself; nothing new arrives over the broker.",
        of_household=True,
    ),
    FILE_REFUSED: AlertRule(
        "the changed household file has faults, or the change needs a restart",
        (ClearedBy.FILE, ClearedBy.RESTART),
        "The changed household file is not in force: {reason}.",
        "The household file as it was before stays in force.",
        of_household=True,
    ),
    FORECAST_REFUSED: AlertRule(
        "a forecast of the sun has faults or can't be true: it is dropped",
        (ClearedBy.GOOD_FORECAST, ClearedBy.RESTART),
        "A forecast of the sun is dropped: {reason}.",
        "Plans count on the forecast before it, and beyond it on no sun.",
        of_household=True,
    ),
    FORECAST_ENDED: AlertRule(
        "no forecast of the sun came in time: the last one has ended",
        (ClearedBy.GOOD_FORECAST, ClearedBy.RESTART),
        "No new forecast of the sun has come: {reason}.",
        "Plans count on no sun, or on what the roofs' own meter has shown of late.",
        of_household=True,
    ),
    CARBON_REFUSED: AlertRule(
        "carbon intensities have faults or can't be true: they are dropped",
        (ClearedBy.GOOD_INTENSITIES, ClearedBy.RESTART),
        "Carbon intensities are dropped: {reason}.",
        "Those before them stay, and where they end estimates count.",
        of_household=True,
    ),
    CALENDAR_OLD: AlertRule(
        "a calendar can't be read, or could not be fetched for three hours, or was fetched with"
        " other words",
        (ClearedBy.CALENDAR_READ, ClearedBy.RESTART),
        "The calendar {reason}.",
        "What is known of it counts.",
        of_household=True,
    ),
    CALENDAR_EVENT: AlertRule(
        "an event of a calendar can't be understood, or does not say which vehicle it means",
        (ClearedBy.EVENTS_CLEAR, ClearedBy.RESTART),
        "An event of the calendar {reason}.",
        "What can be understood of it counts.",
        of_household=True,
    ),
    GRID_METER_REVERSED: AlertRule(
        "the grid meter seems to be the wrong way round: three times in a row what the home takes"
        " fell as charging began, or rose as it ended",
        (ClearedBy.METER_TURNED, ClearedBy.RESTART),
        "The grid meter seems to be the wrong way round: {reason}. What the home takes must be"
        " positive; scale: -1 under grid_meter turns it.",
        "No current follows it, and the account may take the roof for the grid.",
        of_household=True,
    ),
    LEDGER_REFUSES: AlertRule(
        "nothing can be recorded: a full disk, a lock, or rights; it is tried again",
        (ClearedBy.LEDGER_WRITTEN, ClearedBy.RESTART),
        "Nothing can be recorded: {reason}. Charging goes on, and what arrives meanwhile is"
        " recorded later.",
        "What happens meanwhile may be missing from this story.",
        of_household=True,
    ),
    NO_BACKUP: AlertRule(
        "the ledger could not be copied",
        (ClearedBy.BACKUP, ClearedBy.RESTART),
        "The ledger could not be backed up: {reason}",
        "This has no influence on charging.",
        of_household=True,
    ),
    WRONG_PASSWORDS: AlertRule(
        "over OCPP came ten wrong passwords for one charge point, or from one address",
        (ClearedBy.NO_MORE_GUESSES, ClearedBy.RESTART),
        "Wrong passwords come over OCPP: {reason}. Look for equipment with an old password, or for"
        " somebody in your network who guesses.",
        "Each wrong one makes the next wait longer, up to a minute.",
        of_household=True,
    ),
    GRID_LIMITED: AlertRule(
        "the grid operator limits charging, or the whole home",
        (ClearedBy.LIMIT_OVER,),
        "{reason}. Charging keeps below it, whatever anybody asks for.",
        "Charging keeps below the limit, and is planned around it.",
        of_household=True,
    ),
    EQUIPMENT_REFUSES: AlertRule(
        "equipment that speaks OCPP refused the same command three times, or did not answer",
        (ClearedBy.OBEYED, ClearedBy.RESTART),
        "{charge_point} refuses its command. {reason}.",
        "The command is sent again, every five minutes at the latest.",
    ),
    NO_CURRENT_CONTROL: AlertRule(
        "the current of equipment that speaks OCPP can't be set, and the file counts on that",
        (ClearedBy.CURRENT_SET, ClearedBy.RESTART),
        "The current of {charge_point} can't be set over OCPP: {reason}. Say switching: on_off in"
        " the household file, and as max_amps the current that it gives by itself.",
        "It charges only where its full current is allowed.",
    ),
    EQUIPMENT_PAUSES: AlertRule(
        "equipment that speaks OCPP says for two minutes that it gives nothing by itself, though it"
        " may",
        (ClearedBy.RESUMED, ClearedBy.RESTART),
        "{charge_point} pauses by itself: {reason}.",
        "The charge goes on as soon as the equipment does.",
    ),
}
"""Every alert by its code, in the order of the documents."""


def raise_alert(
    state: PointState, code: str, **facts: object
) -> tuple[PointState, tuple[Action, ...]]:
    """Raise an alert, unless it holds already.

    Parameters
    ----------
    state : PointState
        What is known; `alerts` are the codes of those that hold.
    code : str
        Which alert.
    **facts : object
        What its message names.

    Returns
    -------
    state : PointState
        With the code among its alerts.
    actions : tuple of Action
        The warning, or nothing.
    """
    if code in state.alerts:
        return state, ()
    message = ALERTS[code].message.format(**facts)
    return replace(state, alerts=state.alerts | {code}), (Warn(code, message),)


def clear_alerts(state: PointState, by: ClearedBy) -> PointState:
    """Remove the alerts that something clears, and codes that another version raised."""
    kept = {code for code in state.alerts if code in ALERTS and by not in ALERTS[code].cleared_by}
    return replace(state, alerts=frozenset(kept)) if kept != state.alerts else state
