"""Put the values of several phases together, also if each has its own topic. Knows no clock."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from adapters.contract.messages import MalformedMessage
from adapters.contract.topics import matches
from adapters.wired.values import read_number
from config.wiring.values import NumberInput


class PhaseValues:
    """Keeps the latest value of each of a meter's inputs.

    Parameters
    ----------
    key
        What the household file calls the meter.
    inputs
        Where each value comes from, in order.
    most
        No value may be larger than this, or smaller than its negative.
    kind
        What the values are, for errors: such as "currents of at most 2000 A".
    """

    def __init__(self, key: str, inputs: Sequence[NumberInput], most: float, kind: str) -> None:
        self._key, self._inputs, self._most, self._kind = key, tuple(inputs), most, kind
        self._known: dict[int, tuple[datetime, float]] = {}

    @property
    def topics(self) -> tuple[str, ...]:
        """The topics to subscribe to, each once."""
        return topics_of(self._inputs)

    def read(
        self, topic: str, payload: bytes, now: datetime, *, retain: bool
    ) -> tuple[datetime, tuple[float, ...]] | None:
        """Take up a message.

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
        tuple or None
            The instant of the oldest value, and all values in order; None as long as one is
            missing, or for a message on another topic.

        Raises
        ------
        MalformedMessage
            If it does not match the household file; then none of its values is used.
        """
        covered = [n for n, each in enumerate(self._inputs) if matches(each.topic, topic)]
        if not covered or retain:
            return None
        values = {n: (now, read_number(self._inputs[n], self._key, payload)) for n in covered}
        if any(abs(value) > self._most for _, value in values.values()):
            raise MalformedMessage(f"{self._key}: expected {self._kind}")
        self._known |= values
        if len(self._known) < len(self._inputs):
            return None
        known = [self._known[n] for n in range(len(self._inputs))]
        return min(at for at, _ in known), tuple(value for _, value in known)


def topics_of(inputs: Sequence[NumberInput]) -> tuple[str, ...]:
    """Return the topics of some inputs, each once."""
    return tuple(dict.fromkeys(each.topic for each in inputs))
