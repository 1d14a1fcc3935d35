"""Find causes at the charge point, its meter and the main fuse. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING

from config.calendar.words import listed
from daemon.control.alerts import (
    BROKER_REFUSES,
    GRID_LIMITED,
    NO_BROKER,
    NO_POWER,
    NO_READING,
    NOBODY_LISTENS,
    OVER_CURRENT,
    POWER_AFTER_STOP,
)
from daemon.presentation.figures import kwh_text, lowered_words
from daemon.why.evidence import (
    LONG_ENOUGH,
    WAS_NEEDED,
    Cause,
    alerts_of,
    repeated_commands,
    spans_because,
    start_runs,
    starts_with_power,
    starts_without_power,
)
from daemon.why.history import TimeSpan, without_broker
from daemon.why.plans import had_planned

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime

    from daemon.why.wording import NightHistory

TAKES_TOO_MUCH = "it took "
"""The reason of a stop of equipment that takes more than it is told begins so."""

BY_GRID = "the grid operator allows"
"""The reason of a command below a limit of the grid operator begins so."""

LEAST_ESTIMATED_WH = 1000
"""Smaller estimates are mentioned only in the account [Wh]."""


def no_answer(history: NightHistory) -> Iterator[Cause]:
    """Find the first start without power, or without readings to show it."""
    for run in starts_without_power(history):
        if run.end - run.start < LONG_ENOUGH:
            continue
        alerts = [a for a in alerts_of(history, NO_POWER) if run.start <= a.at <= run.end]
        if alerts:
            reason = alerts[0].message.partition("no power flows: ")[2].rstrip(".")
            yield Cause(
                NO_POWER,
                f"the command to charge was sent at {history.at(run.start)}, but no power flowed"
                f" ({_sent_again(history, run)}): {reason}",
            )
        elif history.night.kept_whole and (not _was_read(history, run) or _is_unknown(history)):
            alert = f" (alert {NO_READING})" if alerts_of(history, NO_READING) else ""
            yield Cause(
                NO_READING,
                f"the command was to charge {history.span(run)}, but the meter was silent{alert},"
                " so the ledger does not say whether it charged",
            )
        else:
            yield Cause(
                "no-power",
                f"the command was to charge {history.span(run)}, but no energy was measured",
            )
        return


def late_power(history: NightHistory) -> Iterator[Cause]:
    """Find starts after which power flowed only after an alert."""
    for alert in alerts_of(history, NO_POWER):
        run = next((run for run in start_runs(history) if run.start <= alert.at <= run.end), None)
        flow = next((flow for flow in history.flows if run and flow.meets(run)), None)
        if run is not None and flow is not None and flow.start > run.start:
            yield Cause(
                "power-late",
                f"power was late: the command to charge was sent at {history.at(run.start)}"
                f" ({_sent_again(history, TimeSpan(run.start, flow.start))})",
            )


def _sent_again(history: NightHistory, run: TimeSpan) -> str:
    repeats = repeated_commands(history)
    again = [history.at(span.start) for span in repeats if run.start < span.start <= run.end]
    times = f"; sent again at {listed(again)}" if again else ""
    return f"alert {NO_POWER}{times}"


def _was_read(history: NightHistory, run: TimeSpan) -> bool:
    return any(run.start < reading.at <= run.end for reading in history.night.meter.readings)


def _is_unknown(history: NightHistory) -> bool:
    record = history.night.record
    return record is not None and bool(record.get("unknown_hours"))


def broker_away(history: NightHistory, *, always: bool = False) -> Iterator[Cause]:
    """Find when the broker was away while it was planned to charge, or `always`."""
    for span in without_broker(history.night):
        planned = ", when it had planned to charge" if had_planned(history, span) else ""
        if planned or always:
            yield Cause(NO_BROKER, f"the broker was away {history.span(span)}{planned}")


def nobody_listened(history: NightHistory) -> Iterator[Cause]:
    """Find commands that did not arrive."""
    words = {
        NOBODY_LISTENS: "nothing listened to the commands for it",
        BROKER_REFUSES: "the broker refused what was published",
    }
    yield from broker_away(history, always=True)
    for code, meaning in words.items():
        alerts = [alert for alert in alerts_of(history, code) if not _was_obeyed(history, alert.at)]
        if alerts:
            yield Cause(code, f"{meaning} (alert {code} at {history.at(alerts[0].at)})")


def _was_obeyed(history: NightHistory, at: datetime) -> bool:
    """Whether power began to flow at once when it was next to, at an instant or after it."""
    run = next((run for run in start_runs(history) if run.end > at), None)
    if run is None:
        return False
    due = max(run.start, at)
    return any(due <= flow.start <= due + LONG_ENOUGH for flow in history.flows)


def faults(history: NightHistory) -> Iterator[Cause]:
    """Find the hours in which the charge point reported a fault."""
    spans = spans_because(history, "the charge point reports a fault")
    if spans:
        when = listed([history.span(each) for each in spans])
        yield Cause("fault", f"the charge point reported a fault {when}")


def fuse(history: NightHistory) -> Iterator[Cause]:
    """Find the hours in which the rest of the home needed the current."""
    spans = spans_because(history, "the rest of the home needs the current")
    if spans:
        when = listed([history.span(each) for each in spans])
        yield Cause("main-fuse", f"the rest of the home needed the current {when}")


def lowered_by_load(history: NightHistory) -> Iterator[Cause]:
    """Find for how long the home's live load left less current than was wanted."""
    record = history.night.record
    found = record.get("lowered_by_load") if record is not None else None
    if found:
        words = lowered_words(
            found["minutes"], float(found["least_amps"]), float(found["load_amps"]),
            because=", because",
        )  # fmt: skip
        yield Cause("home-load", f"it was {words}")


def limited_by_grid(history: NightHistory) -> Iterator[Cause]:
    """Find the first time in which the grid operator allowed less than was wanted."""
    for span in spans_because(history, BY_GRID)[:1]:
        start, end = history.ends_of(span)
        yield Cause(GRID_LIMITED, f"the grid operator limited it between {start} and {end}")


def power_after_stop(history: NightHistory) -> Iterator[Cause]:
    """Find power that flowed after a command to stop."""
    for alert in alerts_of(history, POWER_AFTER_STOP)[:1]:
        yield Cause(
            POWER_AFTER_STOP,
            "power flowed although the command was to stop"
            f" (alert {POWER_AFTER_STOP} at {history.at(alert.at)})",
        )


def went_on(history: NightHistory) -> Iterator[Cause]:
    """Find the charge after a departure, as the vehicle left late."""
    late = [s.command.why for s in starts_with_power(history) if WAS_NEEDED in s.command.why]
    if late:
        need, _, rest = late[0].partition(WAS_NEEDED)
        words = f"the vehicle had not left at {rest.partition(',')[0]}, so it charged on towards"
        yield Cause("left-late", f"{words} the {need} that was needed")


def over_current(history: NightHistory) -> Iterator[Cause]:
    """Find more current than was commanded, and the hours in which it kept from charging."""
    alerts = alerts_of(history, OVER_CURRENT)
    alert = f" (alert {OVER_CURRENT} at {history.at(alerts[0].at)})" if alerts else ""
    spans = spans_because(history, TAKES_TOO_MUCH)
    if spans:
        took = spans[0].command.why.removesuffix(" now")
        when = listed([history.span(each) for each in spans])
        yield Cause(OVER_CURRENT, f"{took} {when}{alert}")
    elif alerts:
        yield Cause(OVER_CURRENT, f"more current flowed than was commanded{alert}")


def estimated(history: NightHistory) -> Iterator[Cause]:
    """Find how much of the energy, and of its price, was estimated."""
    record = history.night.record
    if record is None:
        return
    at_estimated_rates_wh = 1000 * float(record.get("estimated_rate_kwh", 0))
    if at_estimated_rates_wh >= LEAST_ESTIMATED_WH:
        amount = kwh_text(at_estimated_rates_wh)
        yield Cause("estimated-rate", f"{amount} of it are priced at estimated rates")
    hours = float(record.get("unknown_hours", 0))
    if hours:
        yield Cause(
            "unknown",
            f"it is unknown what flowed in {hours:.1f} h of the charging: the meter was silent, and"
            " no register shows it",
        )
    if 1000 * float(record["estimated_kwh"]) < LEAST_ESTIMATED_WH:
        return
    amount = kwh_text(1000 * float(record["estimated_kwh"]))
    silent = f" (alert {NO_READING})" if alerts_of(history, NO_READING) else ""
    yield Cause("estimated", f"{amount} of it are estimated, as the meter was silent{silent}")
