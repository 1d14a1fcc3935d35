"""Read the grid operator's contact out of a device's own messages.

Knows no bus and no clock; every instant is passed in.
"""

from __future__ import annotations

from datetime import datetime
from typing import Final

from adapters.contract.messages import GridLimit
from adapters.contract.topics import matches
from adapters.wired.values import read_yes_or_no
from config.wiring.grid_limit import LimitContact

KEY: Final = "grid_limit contact"


class WiredLimitContact:
    """Turns a contact's state into a limit, or its end.

    Parameters
    ----------
    contact
        As the household file has it.
    """

    def __init__(self, contact: LimitContact) -> None:
        self._contact = contact

    @property
    def topic_filters(self) -> tuple[str, ...]:
        """The topics to subscribe to."""
        return (self._contact.topic,)

    def read(self, topic: str, payload: bytes, now: datetime) -> GridLimit | None:
        """Return what a message says of the limit.

        Parameters
        ----------
        topic, payload
            What the bus carried. A message that the broker had stored counts: it is a state.
        now
            When it arrived.

        Returns
        -------
        GridLimit or None
            None for a message on another topic.

        Raises
        ------
        MalformedMessage
            If it does not match the household file.
        """  # noqa: DOC502 - raised by the values
        contact = self._contact
        if not matches(contact.topic, topic):
            return None
        if not read_yes_or_no(contact, KEY, payload):
            return GridLimit(at=now, lifted=True)
        return GridLimit(at=now, kw=contact.limit_kw, amps=contact.limit_amps)
