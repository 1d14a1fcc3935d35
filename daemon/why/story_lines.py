"""The lines of a night's story, and those of them that tell its commands, each once. Pure."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal, TypeAlias

from daemon.why.evidence import repeated_commands

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from datetime import datetime

    from adapters.ledger.rows import StoredCommand
    from daemon.why.wording import NightHistory

Kind: TypeAlias = Literal[
    "daemon", "vehicle", "battery", "request", "prices", "file", "plan", "command", "meter",
    "alert", "night",
]  # fmt: skip

AT_FIRST = "as the night begins"


@dataclass(frozen=True, slots=True)
class Entry:
    """One thing that happened.

    Attributes
    ----------
    at : datetime
        UTC.
    kind : Kind
        What kind of thing it is.
    text : str
        In plain words.
    more : tuple of str
        Sentences that say more.
    serials : tuple of int
        The commands that it stands for: one, and those that renewed it.
    again : bool
        Whether it says once more what was told before and did not come true.
    """

    at: datetime
    kind: Kind
    text: str
    more: tuple[str, ...] = ()
    serials: tuple[int, ...] = ()
    again: bool = False


def commanded(history: NightHistory) -> Iterator[Entry]:
    """Give every command once: with those that only renew it in the same entry."""
    repeats = {told.command.serial for told in repeated_commands(history)}
    before = history.night.before
    last = _told_before(history)
    for command in history.night.commands:
        again = command.serial in repeats
        same = before is not None and _gist(command) == _gist(before)
        if last is not None and same and not again:
            last = replace(last, serials=(*last.serials, command.serial))
        else:
            if last is not None:
                yield last
            order = _again(command) if again else _order(command, before)
            last = Entry(command.at, "command", order, (), (command.serial,), again)
        before = command
    if last is not None:
        yield last


def _told_before(history: NightHistory) -> Entry | None:
    before = history.night.before
    if before is None or before.valid_until <= history.night.begins:
        return None
    return Entry(history.night.begins, "command", f"{AT_FIRST}, {_order(before, None)}")


def _gist(command: StoredCommand) -> tuple[object, ...]:
    return command.do, command.amps, command.why


def _order(command: StoredCommand, before: StoredCommand | None) -> str:
    still = before is not None and before.do == command.do and before.amps == command.amps
    return f"{'still ' if still else ''}told {_do(command)}: {command.why}"


def _again(command: StoredCommand) -> str:
    return f"told again {_do(command)}, as the meter did not show it"


def _do(command: StoredCommand) -> str:
    return f"to charge at {command.amps:g} A" if command.do == "start" else "not to charge"


def together(entries: Iterable[Entry]) -> Iterator[Entry]:
    """Put into one what was told again and again, with nothing else in between."""
    told: list[Entry] = []
    for entry in entries:
        if told and not (entry.again and entry.text == told[0].text):
            yield _one_of(told)
            told = []
        if entry.again:
            told.append(entry)
        else:
            yield _numbered(entry)
    if told:
        yield _one_of(told)


def _one_of(told: Sequence[Entry]) -> Entry:
    first = told[0]
    serials = tuple(serial for entry in told for serial in entry.serials)
    text = first.text
    if len(told) > 1:
        text = f"{len(told)} times {text}"
    return _numbered(replace(first, text=text, serials=serials), len(told))


def _numbered(entry: Entry, told: int = 1) -> Entry:
    """Add which commands an entry stands for; so many of them said the same again."""
    if not entry.serials:
        return entry
    first, *more = entry.serials
    often = "once" if len(more) == 1 else f"{len(more)} times"
    said = f"command {first}{f', renewed {often}' if more else ''}"
    at_first = entry.text.startswith(AT_FIRST)  # its own row is of the night before
    if told > 1 or (at_first and more):
        said = f"commands {first} to {more[-1]}"
    if at_first:
        said = f"renewed by {said}"
    return replace(entry, text=f"{entry.text} ({said})")
