"""Read what the home draws out of the messages of a meter with its own topics.

Knows no bus and no clock; every instant is passed in.
"""

from __future__ import annotations

from datetime import datetime
from typing import Final

from pydantic import ValidationError

from adapters.contract.messages import HomeLoad, MalformedMessage
from adapters.contract.topics import matches
from adapters.wired.values import read_number
from config.household.wiring import LoadMeter

KEY: Final = "load_meter"


class WiredLoadMeter:
    """Puts the currents of the phases together, also if each has its own topic.

    Parameters
    ----------
    meter
        As the household file has it.
    """

    def __init__(self, meter: LoadMeter) -> None:
        self._meter = meter
        self._phases: dict[int, tuple[datetime, float]] = {}

    @property
    def topic_filters(self) -> tuple[str, ...]:
        """The topics to subscribe to, each once."""
        return load_meter_topics(self._meter)

    def read(self, topic: str, payload: bytes, now: datetime, *, retain: bool) -> HomeLoad | None:
        """Return what the home draws, as far as a message shows it.

        Parameters
        ----------
        topic, payload
            What the bus carried.
        now
            When it arrived; its values are dated with this.
        retain
            Whether the broker had stored it; then it is too old to use.

        Returns
        -------
        HomeLoad or None
            Dated with the oldest of its currents; None as long as one is missing, or for a message
            on another topic.

        Raises
        ------
        MalformedMessage
            If it does not match the household file; then none of its values is used.
        """
        wanted = self._meter.phases
        covered = [place for place, each in enumerate(wanted) if matches(each.topic, topic)]
        if not covered or retain:
            return None
        values = {place: read_number(wanted[place], KEY, payload) for place in covered}
        known = self._phases | {place: (now, amps) for place, amps in values.items()}
        if len(known) < len(wanted):
            self._phases = known
            return None
        try:
            load = HomeLoad(
                at=min(at for at, _ in known.values()),
                amps=tuple(known[place][1] for place in range(len(wanted))),
                includes_charge_points=self._meter.includes_charge_points,
            )
        except ValidationError as error:
            raise MalformedMessage(f"{KEY}: expected currents of at most 2000 A") from error
        self._phases = known
        return load


def load_meter_topics(meter: LoadMeter) -> tuple[str, ...]:
    """Return the topics of a meter to subscribe to, each once."""
    return tuple(dict.fromkeys(each.topic for each in meter.phases))
