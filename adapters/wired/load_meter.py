"""Read what the home draws out of the messages of a meter with its own topics.

Knows no bus and no clock; every instant is passed in.
"""

from __future__ import annotations

from datetime import datetime
from typing import Final

from adapters.contract.messages import MOST_LOAD_AMPS, HomeLoad
from adapters.wired.phase_values import PhaseValues, topics_of
from config.wiring.meters import LoadMeter

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
        kind = f"currents of at most {MOST_LOAD_AMPS} A"
        self._phases = PhaseValues(KEY, meter.phases, MOST_LOAD_AMPS, kind)

    @property
    def topic_filters(self) -> tuple[str, ...]:
        """The topics to subscribe to, each once."""
        return self._phases.topics

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
        """  # noqa: DOC502 - raised by the phases
        found = self._phases.read(topic, payload, now, retain=retain)
        if found is None:
            return None
        at, amps = found
        own = self._meter.includes_charge_points
        return HomeLoad(at=at, amps=amps, includes_charge_points=own)


def load_meter_topics(meter: LoadMeter) -> tuple[str, ...]:
    """Return the topics of a meter to subscribe to, each once."""
    return topics_of(meter.phases)
