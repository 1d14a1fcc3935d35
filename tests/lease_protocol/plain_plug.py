"""A plug that knows no expiry: its stop is left with the broker as the Will of a connection.

A second small model beside `protocol`. The daemon dies or loses only the connection with the Will;
the broker sends the Will some time later, or at once where that connection comes back. The plug
loses its connection, and is switched off by a power cut. All sequences of steps are tried.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, Literal, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Iterator

Do = Literal["start", "stop"]
MOST_ON_THE_WAY: Final = 3


class Home(NamedTuple):
    """The daemon, the broker and the plug.

    `will_due` says that the connection with the Will is broken, and the broker has not sent it yet.
    """

    is_up: bool = True
    wants: Do = "stop"
    is_held: bool = True
    will_due: bool = False
    kept: Do | None = None
    wire: tuple[Do, ...] = ()
    is_connected: bool = True
    is_on: bool = False


@dataclass(frozen=True)
class Wiring:
    """What the household file and the daemon do; a planted fault replaces one of them."""

    start_kept: bool = True
    stop_kept: bool = True
    has_will: bool = True
    will_kept: bool = True
    sends_again: bool = True
    repeats: bool = False
    holds_starts: bool = True

    def sent(self, home: Home, do: Do, *, kept: bool) -> Home:
        home = home._replace(kept=do if kept else home.kept)
        wire = (*home.wire, do)[-MOST_ON_THE_WAY:] if home.is_connected else ()
        return home._replace(wire=wire)

    def commanded(self, home: Home) -> Home:
        """Send the command; a start waits for the connection with the Will."""
        if home.wants == "start" and not home.is_held and self.holds_starts:
            return home
        kept = self.start_kept if home.wants == "start" else self.stop_kept
        return self.sent(home, home.wants, kept=kept)

    def willed(self, home: Home) -> Home:
        """Let the broker send the Will if it is due."""
        if not home.will_due or not self.has_will:
            return home._replace(will_due=False)
        return self.sent(home._replace(will_due=False), "stop", kept=self.will_kept)

    def returned(self, home: Home) -> Home:
        """Let the connection with the Will come (back): a broker sends the old one's Will first."""
        home = self.willed(home)._replace(is_held=True)
        return self.commanded(home) if self.sends_again else home

    def connected(self, home: Home) -> Home:
        wire = () if home.kept is None else (home.kept,)
        return home._replace(is_connected=True, wire=wire)

    def drained(self, home: Home) -> Home:
        return home._replace(is_on=home.wire[-1] == "start", wire=()) if home.wire else home

    def steps(self, home: Home) -> Iterator[tuple[str, Home]]:
        """Yield everything that may happen next, by name."""
        if home.is_up:
            other: Do = "stop" if home.wants == "start" else "start"
            yield f"it wants {other}", self.commanded(home._replace(wants=other))
            will_due = home.will_due or home.is_held
            yield "it dies", home._replace(is_up=False, is_held=False, will_due=will_due)
            if home.is_held:
                yield "its Will's connection breaks", home._replace(is_held=False, will_due=True)
            else:
                yield "its Will's connection returns", self.returned(home)
        else:
            yield "it starts", self.returned(home._replace(is_up=True))
        if home.will_due:
            yield "the broker sends the Will", self.willed(home)
        if home.wire:
            arrived = home._replace(is_on=home.wire[0] == "start", wire=home.wire[1:])
            yield "arrives", arrived
            yield "arrives, and once more", arrived._replace(wire=home.wire)
        if home.is_connected:
            yield "the plug is cut off", home._replace(is_connected=False, wire=())
        else:
            yield "the plug connects", self.connected(home)
        yield "the plug boots", self.connected(home._replace(is_on=False))

    def wrong_with(self, home: Home) -> str | None:
        """Return what is wrong in the end, if the plug connects and all that is sent arrives."""
        rest = self.willed(home)
        rest = self.drained(rest if rest.is_connected else self.connected(rest))
        if not home.is_up and rest.is_on:
            return "it stays on with no daemon there"
        if home.is_up and home.wants == "stop" and home.kept == "start":
            return "a plug that connects is switched on after a stop"
        if home.is_up:
            back = rest if rest.is_held else self.returned(rest)
            back = self.commanded(back) if self.repeats else back
            if self.drained(back).is_on != (home.wants == "start") and home.is_connected:
                return "it does not come to do what the daemon wants"
        return None


def check_plug(wiring: Wiring, depth: int) -> tuple[int, str | None, tuple[str, ...]]:
    """Try all sequences of so many steps; return the worlds, and the shortest that is wrong."""
    start = Home()
    paths: dict[Home, tuple[str, ...]] = {start: ()}
    frontier = [start]
    for _ in range(depth):
        following = []
        for home in frontier:
            for name, after in wiring.steps(home):
                if after in paths:
                    continue
                paths[after] = (*paths[home], name)
                wrong = wiring.wrong_with(after)
                if wrong is not None:
                    return len(paths), wrong, paths[after]
                following.append(after)
        frontier = following
    return len(paths), None, ()


SAFE: Final = Wiring()
SAFE_PLUGS: Final = {
    "start, stop and Will are kept": SAFE,
    "stop and Will are kept, and commands repeated": replace(SAFE, start_kept=False, repeats=True),
}
PLANTED_PLUGS: Final = {
    "a start is kept, and its stop is not": replace(SAFE, stop_kept=False, will_kept=False),
    "nothing is kept": replace(
        SAFE, start_kept=False, stop_kept=False, will_kept=False, repeats=True
    ),
    "there is no Will": replace(SAFE, has_will=False),
    "the Will is not kept": replace(SAFE, will_kept=False),
    "starts are sent while the Will's connection is broken": replace(SAFE, holds_starts=False),
    "nothing is sent again when the Will's connection is back": replace(SAFE, sends_again=False),
}
