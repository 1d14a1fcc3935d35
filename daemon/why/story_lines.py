"""Write a night's commands as lines of its story, each command once. Pure."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal, TypeAlias

from daemon.control.state import FOLLOWS_SURPLUS
from daemon.why.evidence import repeated_commands
from daemon.why.wording import reason
from planners.power.excess_current import current_text

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from datetime import datetime

    from adapters.ledger.rows import StoredCommand
    from daemon.why.wording import NightHistory

Kind: TypeAlias = Literal[
    "daemon", "vehicle", "battery", "request", "prices", "file", "plan", "command", "meter",
    "alert", "night", "grid",
]  # fmt: skip

AT_FIRST = "as the night begins"
SENT_AGAIN = "sent again"


@dataclass(frozen=True, slots=True)
class Entry:
    """One thing that happened.

    Attributes
    ----------
    at : datetime
        UTC.
    kind : Kind
        What it is about.
    text : str
        In plain words.
    more : tuple of str
        Sentences that say more.
    serials : tuple of int
        The commands in this entry: one, and those that extended it.
    is_repeat : bool
        Whether the command was sent again because the meter showed no change.
    followed_amps : tuple of float
        The currents of commands that follow what the roof leaves over, which are one entry [A].
    """

    at: datetime
    kind: Kind
    text: str
    more: tuple[str, ...] = ()
    serials: tuple[int, ...] = ()
    is_repeat: bool = False
    followed_amps: tuple[float, ...] = ()


def commanded(history: NightHistory) -> Iterator[Entry]:
    """Yield each command once; those that only extend it are in the same entry."""
    repeats = {span.command.serial for span in repeated_commands(history)}
    before = history.night.command_before
    last = _command_at_first(history)
    for command in history.night.commands:
        is_repeat = command.serial in repeats
        same = before is not None and _content(command) == _content(before)
        if last is not None and same and not is_repeat:
            last = replace(last, serials=(*last.serials, command.serial))
        elif last is not None and before is not None and _both_follow(before, command):
            last = _followed(last, before, command)
        else:
            if last is not None:
                yield last
            text = _repeat_words(command) if is_repeat else _command_words(command, before)
            last = Entry(command.at, "command", text, (), (command.serial,), is_repeat)
        before = command
    if last is not None:
        yield last


def _command_at_first(history: NightHistory) -> Entry | None:
    before = history.night.command_before
    if before is None or before.valid_until <= history.night.begins:
        return None
    to_do = f"to charge at {_current(before)}" if before.do == "start" else "not to charge"
    text = f"{AT_FIRST}, the command is {to_do}: {reason(before)}"
    return Entry(history.night.begins, "command", text)


def _both_follow(before: StoredCommand, command: StoredCommand) -> bool:
    """Whether a command is one more of those that follow what the roof leaves over."""
    is_alike = before.phases == command.phases and before.do == command.do == "start"
    return is_alike and before.why == command.why == FOLLOWS_SURPLUS


def _followed(last: Entry, before: StoredCommand, command: StoredCommand) -> Entry:
    """Add a command to an entry of those that follow the roof."""
    amps = (*(last.followed_amps or (before.amps or 0.0,)), command.amps or 0.0)
    begins = last.text.partition(",")[0].partition(":")[0]
    to = current_text(max(amps), command.phases)
    text = f"{begins}, then {min(amps):g} to {to}: {reason(command)}"
    return replace(last, text=text, serials=(*last.serials, command.serial), followed_amps=amps)


def _current(command: StoredCommand) -> str:
    return current_text(command.amps or 0.0, command.phases)


def _content(command: StoredCommand) -> tuple[object, ...]:
    return command.do, command.amps, command.phases, command.why


def _command_words(command: StoredCommand, before: StoredCommand | None) -> str:
    goes_on = before is not None and before.do == command.do
    if command.do == "start":
        return f"{'go on' if goes_on else 'start'} at {_current(command)}: {reason(command)}"
    return f"{'stay stopped' if goes_on else 'stop'}: {reason(command)}"


def _repeat_words(command: StoredCommand) -> str:
    order = f"start at {_current(command)}" if command.do == "start" else "stop"
    return f"{SENT_AGAIN}, because the meter showed no change: {order}"


def merge_repeats(entries: Iterable[Entry]) -> Iterator[Entry]:
    """Merge commands that were sent again and again, and add all numbers."""
    repeats: list[Entry] = []
    for entry in entries:
        if repeats and not (entry.is_repeat and entry.text == repeats[0].text):
            yield _merged(repeats)
            repeats = []
        if entry.is_repeat:
            repeats.append(entry)
        else:
            yield _numbered(entry)
    if repeats:
        yield _merged(repeats)


def _merged(repeats: Sequence[Entry]) -> Entry:
    first = repeats[0]
    serials = tuple(serial for entry in repeats for serial in entry.serials)
    text = first.text
    if len(repeats) > 1:
        text = text.replace(SENT_AGAIN, f"{SENT_AGAIN} {len(repeats)} times", 1)
    return _numbered(replace(first, text=text, serials=serials), len(repeats))


def _numbered(entry: Entry, repeats: int = 1) -> Entry:
    """Add the numbers of an entry's commands, of which so many are repeats."""
    # A command of before the night has another number than those that extend it.
    if not entry.serials or entry.text.startswith(AT_FIRST):
        return entry
    numbers = f"command {entry.serials[0]}"
    if repeats > 1 or entry.followed_amps:
        numbers = f"commands {entry.serials[0]} to {entry.serials[-1]}"
    return replace(entry, text=f"{entry.text} ({numbers})")
