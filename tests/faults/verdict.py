"""Judge a night with faults once it is over."""

from __future__ import annotations

from daemon.rehearsal.rehearsal import REGISTER_WH
from tests.faults.daemon_process import mark
from tests.faults.ledger_contents import LedgerContents, missing, read_ledger
from tests.faults.night import Night
from tests.faults.stage import Stage

NEARLY_PERCENT = 0.5


def judge(night: Night, *, all_kept: bool) -> None:
    """Check that nothing was lost, counted twice or left charging, and the battery was ready.

    Parameters
    ----------
    night : Night
        It is over.
    all_kept : bool
        Whether all that the hardware published must be in the ledger; a broker that was killed may
        have lost messages that it had not passed on yet.
    """
    stage = night.stage
    kept = read_ledger(stage.ledger)
    _stopped(night)
    _counted(night, kept)
    published = stage.hardware.published
    if not all_kept:
        published = _handled(stage)
    for what in missing(kept, published):
        stage.tally.wrong("lost", f"{what}, {night.place()}")
    wrong = [row for row, count in (kept.readings + kept.reports).items() if count > 1]
    for row in wrong:
        stage.tally.wrong("counted twice", f"{row}, {night.place()}")
    if not kept.whole:
        stage.tally.wrong("lost", f"the ledger is damaged, {night.place()}")
    if stage.vehicle.soc_percent < stage.scene.need_percent - NEARLY_PERCENT:
        how = f"{stage.vehicle.soc_percent:.1f} %, {night.place()}"
        stage.tally.wrong("short for the departure", how)


def _stopped(night: Night) -> None:
    stage = night.stage
    command = stage.daemon.command
    if stage.point.offered_amps > 0 or command is None or command.do != "stop":
        stage.tally.wrong("left charging", f"after the departure, {night.place()}")


def _counted(night: Night, kept: LedgerContents) -> None:
    stage = night.stage
    rise_wh = round(stage.point.register_kwh * 1000) - REGISTER_WH
    difference = kept.nights_wh - rise_wh
    if abs(difference) > 1 + kept.bands:
        kind = "counted twice" if difference > 0 else "lost"
        how = f"{kept.nights_wh} Wh of {rise_wh} Wh, {night.place()}"
        stage.tally.wrong(kind, how)


def _handled(stage: Stage) -> list[tuple[str, bytes]]:
    return [each for each in stage.hardware.published if mark(*each) in stage.daemon.arrived]
