"""What was found in a household's calendars: trips, and days without departures."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class TripEvent:
    """An event that says when a vehicle leaves.

    Attributes
    ----------
    vehicle : str
        Its name in the household file.
    title : str
        The event's title.
    leaves : datetime
        When it starts, UTC.
    returns : datetime or None
        When it ends, UTC; None if it has no length.
    need_percent : float or None
        State of charge needed, as the title says [percent].
    uses_km : float or None
        Distance of the trip, as the title says [km].
    default_percent : float or None
        What is needed where the title says neither, and no departure of the file is meant.
    reserve_percent : float
        What a trip of that distance shall leave [percent].
    """

    vehicle: str
    title: str
    leaves: dt.datetime
    returns: dt.datetime | None = None
    need_percent: float | None = None
    uses_km: float | None = None
    default_percent: float | None = None
    reserve_percent: float = 0.0


@dataclass(frozen=True, slots=True)
class DaysEvent:
    """An event of whole days: none of the file's departures takes place on them.

    If its title says a percentage or a distance it is a trip of several days: the vehicle leaves on
    the first of them, at its usual time.

    Attributes
    ----------
    vehicle : str
        Its name in the household file.
    title : str
        The event's title.
    first : date
        The first of the days.
    end : date
        The day after the last of them.
    need_percent, uses_km, default_percent, reserve_percent
        As of a `TripEvent`.
    """

    vehicle: str
    title: str
    first: dt.date
    end: dt.date
    need_percent: float | None = None
    uses_km: float | None = None
    default_percent: float | None = None
    reserve_percent: float = 0.0

    @property
    def is_trip(self) -> bool:
        """Whether the vehicle leaves on the first day."""
        return self.need_percent is not None or self.uses_km is not None


@dataclass(frozen=True, slots=True)
class CalendarEvents:
    """The events of all calendars that concern vehicles.

    Attributes
    ----------
    trips, days
        The events.
    troubles : tuple of str
        Which calendars could not be read just now, and what counts instead; sentences.
    """

    trips: tuple[TripEvent, ...] = ()
    days: tuple[DaysEvent, ...] = ()
    troubles: tuple[str, ...] = ()
