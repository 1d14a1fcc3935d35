"""The wishes in force, each as a line that can be taken back. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from daemon.control.wishes import AWAY_UNTIL, CHARGE_NOW, SKIP_UNTIL

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime

    from adapters.contract.messages import AskedFor, Status
    from daemon.page.words import Words


@dataclass(frozen=True, slots=True)
class WishLine:
    """A wish in force, and by which name it is cancelled."""

    name: str
    text: str


def wish_lines(status: Status, now: datetime, words: Words) -> Iterator[WishLine]:
    """List the wishes in force, in the order of a night."""
    if status.charge_now:
        yield WishLine(CHARGE_NOW, words.say("Charge now, at any price"))
    if status.skip_until is not None and status.skip_until > now:
        until = words.when(status.skip_until, now)
        yield WishLine(SKIP_UNTIL, words.say("No charging until {time}", time=until))
    if status.away_until is not None and status.away_until > now:
        until = words.when(status.away_until, now)
        yield WishLine(AWAY_UNTIL, words.say("Away until {time}", time=until))
    for wish in status.wishes:
        yield WishLine(wish.id, _trip(wish, now, words))


def _trip(wish: AskedFor, now: datetime, words: Words) -> str:
    percents = [each for each in (wish.need_percent, wish.want_percent) if each is not None]
    percent = words.percent(max(percents, default=0.0))
    by = words.when(wish.by, now)
    return words.say(
        "{vehicle}: {percent} by {time}", vehicle=wish.vehicle, percent=percent, time=by
    )
