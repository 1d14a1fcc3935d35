"""What is wrong, and what the person can do about it. Pure."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from daemon.control.alerts import OVER_CURRENT
from daemon.page.alert_words import ALERT_WORDS
from daemon.remote.conversation import why_not_running

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime

    from adapters.contract.messages import Status
    from config.household.household_file import HouseholdFile
    from daemon.page.words import Words
    from daemon.remote.health import Report


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
    """

    text: str
    advice: str = ""
    can_be_checked: bool = field(default=False, kw_only=True)
    detail: str = field(default="", kw_only=True)


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
    absent = why_not_running(report.daemon, file, now)
    if absent is None:
        return None
    return Trouble(
        words.say("Lullwatt does not answer: this is what it last said."),
        words.say(ADVICE),
        detail=absent,
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
            checked = code == OVER_CURRENT
            yield Trouble(words.say(known.text), words.say(known.advice), can_be_checked=checked)
