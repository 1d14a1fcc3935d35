"""What the charge point, its meter or the main fuse kept from charging, or let flow. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.control.alerts import (
    BROKER_REFUSES,
    NO_POWER,
    NO_READING,
    NOBODY_LISTENS,
    POWER_AFTER_STOP,
)
from daemon.why.evidence import (
    LONG_ENOUGH,
    Cause,
    alerts_of,
    repeated_commands,
    spans_because,
    start_runs,
    starts_without_power,
)
from daemon.why.history import TimeSpan
from daemon.why.wording import kwh, listed

if TYPE_CHECKING:
    from collections.abc import Iterator

    from daemon.why.wording import NightHistory

WORTH_TELLING_WH = 1000
"""Less that is not measured is told with the account alone [Wh]."""


def no_answer(history: NightHistory) -> Iterator[Cause]:
    """Tell of the first start that no power followed, or of which the meter said nothing."""
    for run in starts_without_power(history):
        if run.end - run.start < LONG_ENOUGH:
            continue
        alerts = [a for a in alerts_of(history, NO_POWER) if run.start <= a.at <= run.end]
        if alerts:
            said = alerts[0].message.partition("no power flows: ")[2].rstrip(".")
            yield Cause(
                NO_POWER,
                f"it was told to charge at {history.at(run.start)}, but no power flowed"
                f" ({_told_again(history, run)}): {said}",
            )
        elif history.night.kept_whole and not _was_read(history, run):
            alert = f" (alert {NO_READING})" if alerts_of(history, NO_READING) else ""
            yield Cause(
                NO_READING,
                f"it was told to charge {history.span(run)}, but its meter was silent{alert}:"
                " whether it charged, the ledger does not say",
            )
        else:
            yield Cause(
                "no-power",
                f"it was told to charge {history.span(run)}, and no energy was measured",
            )
        return


def late_power(history: NightHistory) -> Iterator[Cause]:
    """Tell of starts that power followed only after an alert."""
    for alert in alerts_of(history, NO_POWER):
        run = next((run for run in start_runs(history) if run.start <= alert.at <= run.end), None)
        flow = next((flow for flow in history.flows if run and flow.meets(run)), None)
        if run is not None and flow is not None and flow.start > run.start:
            yield Cause(
                "power-late",
                f"power was late: it was told to charge at {history.at(run.start)}"
                f" ({_told_again(history, TimeSpan(run.start, flow.start))})",
            )


def _told_again(history: NightHistory, run: TimeSpan) -> str:
    repeats = repeated_commands(history)
    again = [history.at(it.start) for it in repeats if run.start < it.start <= run.end]
    times = f"; told again at {listed(again)}" if again else ""
    return f"alert {NO_POWER}{times}"


def _was_read(history: NightHistory, run: TimeSpan) -> bool:
    return any(run.start < reading.at <= run.end for reading in history.night.meter.readings)


def nobody_listened(history: NightHistory) -> Iterator[Cause]:
    """Tell of commands that did not arrive."""
    words = {
        NOBODY_LISTENS: "nothing listened to the commands for it",
        BROKER_REFUSES: "the broker refused what was published",
    }
    for code, said in words.items():
        alerts = alerts_of(history, code)
        if alerts:
            yield Cause(code, f"{said} (alert {code} at {history.at(alerts[0].at)})")


def faults(history: NightHistory) -> Iterator[Cause]:
    """Tell of the hours in which the charge point reported a fault."""
    told = spans_because(history, "the charge point reports a fault")
    if told:
        state = told[0].command.why.rpartition("(")[2].rstrip(")")
        when = listed([history.span(each) for each in told])
        yield Cause("fault", f"the charge point reported a fault ({state}) {when}")


def fuse(history: NightHistory) -> Iterator[Cause]:
    """Tell of the hours in which the rest of the home needed the current."""
    told = spans_because(history, "the rest of the home needs the current")
    if told:
        when = listed([history.span(each) for each in told])
        yield Cause("main-fuse", f"the rest of the home needed the current {when}")


def unbidden(history: NightHistory) -> Iterator[Cause]:
    """Tell of power that flowed although it was told to stop."""
    for alert in alerts_of(history, POWER_AFTER_STOP)[:1]:
        yield Cause(
            POWER_AFTER_STOP,
            "power flowed although it was told to stop"
            f" (alert {POWER_AFTER_STOP} at {history.at(alert.at)})",
        )


def estimated(history: NightHistory) -> Iterator[Cause]:
    """Tell how much of what was charged no reading has measured."""
    record = history.night.record
    if record is None or 1000 * float(record["estimated_kwh"]) < WORTH_TELLING_WH:
        return
    amount = kwh(1000 * float(record["estimated_kwh"]))
    silent = f" (alert {NO_READING})" if alerts_of(history, NO_READING) else ""
    yield Cause("estimated", f"{amount} of it are estimated, as the meter was silent{silent}")
