"""Turn options with times into instants; `planners.local_time.time_words` reads the words."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING

from adapters.clocks.instants import parse_instant
from config.files.errors import UsageError
from planners.local_time.departures import departures_between
from planners.local_time.settlement import day_bounds
from planners.local_time.time_words import UnclearTime, read_duration, read_time

if TYPE_CHECKING:
    from datetime import date

    from config.household.household_file import HouseholdFile


@dataclass(slots=True)
class TimeOptions:
    """Reads times as the household's clock shows them.

    Attributes
    ----------
    file : HouseholdFile
        The household.
    vehicle : str or None
        The vehicle whose departures a date stands for.
    now : datetime
        UTC.
    remarks : list of str
        How times were read that the clock shows twice or never.
    """

    file: HouseholdFile
    vehicle: str | None
    now: datetime
    remarks: list[str] = field(default_factory=list)

    def instant(self, option: str, text: str | None) -> str | None:
        """Read a time, such as 14:00, ``sat 08:00``, a date, or an instant with its offset.

        Parameters
        ----------
        option : str
            The option that it is given for.
        text : str or None
            The time.

        Returns
        -------
        str or None
            An instant as the bus carries it; None if no time is given.

        Raises
        ------
        UsageError
            If it is no time; with an example of each form.
        """
        if text is None:
            return None
        try:
            return parse_instant(text).isoformat()
        except ValueError:
            pass  # it has no offset: the words of people may make it clear
        try:
            read = read_time(text, self.now, self.file.zone, self._departure_on)
        except UnclearTime as error:
            raise UsageError(f"{option}: {error}") from error
        if read.remark:
            self.remarks.append(f"{option}: {read.remark}")
        return read.instant.isoformat()

    def after(self, option: str, text: str | None) -> str | None:
        """Read a duration from now, such as ``1h30``; return the instant at its end.

        Parameters
        ----------
        option : str
            The option that it is given for.
        text : str or None
            The duration.

        Returns
        -------
        str or None
            An instant as the bus carries it; None if no duration is given.

        Raises
        ------
        UsageError
            If it is no duration; with examples.
        """
        try:
            end = None if text is None else self.now + read_duration(text)
        except UnclearTime as error:
            raise UsageError(f"{option}: {error}") from error
        return None if end is None else end.replace(microsecond=0).isoformat()

    def _departure_on(self, day: date) -> datetime | None:
        if self.vehicle is None:
            return None
        start, end = day_bounds(day, day, self.file.zone)
        found = departures_between(self.file, self.vehicle, start, end)
        return found[0].instant if found else None
