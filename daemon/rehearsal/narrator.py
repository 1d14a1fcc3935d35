"""Tell the story of a rehearsed night, a line for each thing that happens."""

from __future__ import annotations

from typing import TYPE_CHECKING

from adapters.bus.events import MessageArrived
from daemon.control.state import counted_soc_percent
from daemon.presentation.figures import local_time
from daemon.rehearsal.story import Story

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence
    from datetime import datetime

    from config.household.household_file import HouseholdFile
    from daemon.messaging.incoming import HandledEvent, Incoming
    from daemon.rehearsal.home import HomeNight
    from daemon.rehearsal.rehearsal import Evening, Rehearsal, RehearsalResult
    from daemon.rehearsal.sunshine import SunnyNight


class Narrator:
    """Writes a line for each thing that happens in a rehearsed night.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    evenings : sequence of Evening
        What is rehearsed; each vehicle is at another charge point.
    say : callable
        Takes each line.
    """

    def __init__(
        self, file: HouseholdFile, evenings: Sequence[Evening], say: Callable[[str], None]
    ) -> None:
        self._file = file
        self._say = say
        self._rehearsal: Rehearsal | None = None
        self._stories = [Story(file, each, is_alone=len(evenings) == 1) for each in evenings]

    def open(self, rehearsal: Rehearsal) -> None:
        """Start, before the rehearsal runs."""
        self._rehearsal = rehearsal
        self._say(
            f"Rehearsing {self._file.household.name}: the real daemon and a real broker on this"
            " machine, simulated hardware, virtual time."
        )
        if rehearsal.home is not None:
            self._say(
                "A simulated home with invented appliances draws current too, and its meter reports"
                f" it. The main fuse is {self._file.household.fuse_text}."
            )

        if rehearsal.sun is not None:
            sky = {"clear": "a clear", "broken": "a broken", "dull": "a dull"}
            self._say(
                f"Simulated roofs under {sky[rehearsal.sun.night.sky]} sky report what they give,"
                " and a forecast of it comes first."
            )

    def observe(self, handled: HandledEvent) -> None:
        """Write what the daemon has just done."""
        rehearsal = self._rehearsal
        if rehearsal is None:
            return
        now, home_amps = rehearsal.clock.now(), _home_amps(rehearsal, handled.event)
        for story in self._stories:
            if now > story.begins:
                self._say_at(story.begins, story.held_back())
            for point, action in handled.actions:
                if point == story.point:
                    soc = counted_soc_percent(handled.states[point], self._file, now)
                    self._say_at(now, story.lines(action, soc, home_amps))

    def _say_at(self, now: datetime, lines: Iterable[str]) -> None:
        for line in lines:
            self._say(f"{local_time(now, self._file.zone, '%a %H:%M:%S')}  {line}")

    def close(self, result: RehearsalResult) -> None:
        """Write how the night ended."""
        results = (result, *result.beside.values())
        for story, each in zip(self._stories, results, strict=True):
            for line in story.ending(each):
                self._say(line)
        if result.home is not None:
            for line in self._home_lines(result.home):
                self._say(line)
        if result.sun is not None:
            self._say(_sun_line(result.sun))

    def _home_lines(self, night: HomeNight) -> Iterator[str]:
        drew = f"The simulated home drew up to {night.highest_amps:.1f} A."
        yield f"{drew} {self._while_charging(night)}"
        times = night.times_lowered
        if times:
            yield f"Because of the home's load, charging was lowered or stopped {_times(times)}."
        else:
            yield "Its load left enough for all charging: nothing was lowered."

    def _while_charging(self, night: HomeNight) -> str:
        amps, fuse = night.highest_with_charging_amps, self._file.household.fuse_text
        if not amps:
            return "Nothing was charged meanwhile."
        return f"While it charged, up to {amps:.1f} A flowed through the main fuse of {fuse}."


def _sun_line(night: SunnyNight) -> str:
    from_roof, charged = night.charged_from_roof_kwh, night.charged_kwh
    return (
        f"The simulated roofs gave {night.roof_kwh:.1f} kWh. Of the {charged:.1f} kWh charged,"
        f" {from_roof:.1f} kWh came from them after the home's own use, and"
        f" {charged - from_roof:.1f} kWh from the grid."
    )


def _home_amps(rehearsal: Rehearsal, event: Incoming) -> float | None:
    """Return what the home draws, if an event is a reading of it."""
    home = rehearsal.home
    if home is None or not isinstance(event, MessageArrived) or not home.is_load(event.topic):
        return None
    return max(home.meter.amps)


def _times(number: int) -> str:
    return "once" if number == 1 else f"{number} times"
