"""Read what flows between the home and the grid out of a meter's own messages.

Knows no bus and no clock; every instant is passed in.
"""

from __future__ import annotations

from datetime import datetime
from typing import Final

from adapters.contract.messages import MOST_GRID_WATTS, GridPower
from adapters.wired.phase_values import PhaseValues, topics_of
from config.wiring.meters import GridMeter
from config.wiring.values import PowerInput

KEY: Final = "grid_meter"


class WiredGridMeter:
    """Puts import and export together, of one phase or three, also if each has its own topic.

    Parameters
    ----------
    meter
        As the household file has it.
    """

    def __init__(self, meter: GridMeter) -> None:
        self._phases = len(meter.power)
        kind = f"powers of at most {MOST_GRID_WATTS / 1000:g} kW"
        self._values = PhaseValues(KEY, grid_inputs(meter), MOST_GRID_WATTS, kind)

    @property
    def topic_filters(self) -> tuple[str, ...]:
        """The topics to subscribe to, each once."""
        return self._values.topics

    def read(self, topic: str, payload: bytes, now: datetime, *, retain: bool) -> GridPower | None:
        """Return what flows, as far as a message shows it.

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
        GridPower or None
            Dated with the oldest of its values; None as long as one is missing, or for a message
            on another topic.

        Raises
        ------
        MalformedMessage
            If it does not match the household file; then none of its values is used.
        """  # noqa: DOC502 - raised by the values
        found = self._values.read(topic, payload, now, retain=retain)
        if found is None:
            return None
        at, values = found
        taken, given = values[: self._phases], values[self._phases :]
        watts = (
            tuple(one - abs(other) for one, other in zip(taken, given, strict=True))
            if given
            else taken
        )
        return GridPower(at=at, watts=watts)


def grid_inputs(meter: GridMeter) -> tuple[PowerInput, ...]:
    """List a meter's values: its power of each phase, then its export."""
    return (*meter.power, *(meter.export or ()))


def grid_meter_topics(meter: GridMeter) -> tuple[str, ...]:
    """Return the topics of a meter to subscribe to, each once."""
    return topics_of(grid_inputs(meter))
