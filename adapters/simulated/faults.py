"""Faults that simulated hardware may have, each by its name. Knows no bus and no clock."""

from __future__ import annotations

from datetime import datetime, timedelta
from enum import StrEnum
from random import Random
from typing import Final

from typing_extensions import override

from adapters.contract.messages import Reading
from adapters.simulated.charge_point import SimulatedChargePoint

EVERY: Final = 10
"""Of so many messages one is lost, each way."""

LOOSE_MINUTES: Final = (20, 120)
"""A plug that comes loose holds for so many minutes ..."""

LOOSE_FOR_MINUTES: Final = (1, 20)
"""... and is back after so many."""


class Fault(StrEnum):
    """A named fault."""

    NEVER_STARTS = "never-starts"
    STICKS_ON = "sticks-on"
    COUNTS_BACKWARDS = "counts-backwards"
    KW_FOR_W = "kw-for-w"
    SILENT = "silent"
    DROPS_TENTH = "drops-every-tenth"
    UNPLUGGED = "unplugged-at-random"


IN_WORDS: Final = {
    Fault.NEVER_STARTS: "it is told to start, and gives no power",
    Fault.STICKS_ON: "once it is on it stays on",
    Fault.COUNTS_BACKWARDS: "its energy register falls while it charges",
    Fault.KW_FOR_W: "it reports kilowatts where watts are meant",
    Fault.SILENT: "its meter says nothing from the first start on",
    Fault.DROPS_TENTH: "every tenth message is lost, each way",
    Fault.UNPLUGGED: "somebody pulls the plug at random, and puts it back",
}
"""What each does."""


class FaultyChargePoint(SimulatedChargePoint):
    """A charge point that never starts, or never stops, or whose register falls."""

    fault: Fault | None = None
    _stuck_amps = 0.0
    _first_kwh: float | None = None

    @property
    @override
    def offered_amps(self) -> float:
        amps = super().offered_amps
        if self.fault is Fault.NEVER_STARTS:
            return 0.0
        if self.fault is Fault.STICKS_ON:
            self._stuck_amps = amps or self._stuck_amps
            return self._stuck_amps
        return amps

    @property
    @override
    def register_kwh(self) -> float:
        kwh = super().register_kwh
        if self.fault is not Fault.COUNTS_BACKWARDS:
            return kwh
        self._first_kwh = kwh if self._first_kwh is None else self._first_kwh
        return round(2 * self._first_kwh - kwh, 3)


def distorted(fault: Fault | None, reading: Reading) -> Reading:
    """Return a reading as hardware with a fault reports it."""
    if fault is Fault.KW_FOR_W and reading.watts is not None:
        return reading.model_copy(update={"watts": round(reading.watts / 1000, 4)})
    return reading


class Losses:
    """Loses every tenth message.

    Parameters
    ----------
    fault
        What the hardware has; only one of the faults loses messages.
    """

    def __init__(self, fault: Fault | None) -> None:
        self._loses = fault is Fault.DROPS_TENTH
        self._count = 0

    def loses_next(self) -> bool:
        """Whether the next message is lost."""
        self._count += 1
        return self._loses and self._count % EVERY == 0


class LoosePlug:
    """Says when a plug that comes loose is out.

    Parameters
    ----------
    at
        When it is put in.
    seed
        Decides the instants.
    """

    def __init__(self, at: datetime, seed: int) -> None:
        self._random = Random(seed)  # noqa: S311 - no secret depends on it
        self.is_out = False
        self.changes_at = at + self._minutes(LOOSE_MINUTES)

    def has_changed(self, now: datetime) -> bool:
        """Pull it out or put it in, if its time has come."""
        if now < self.changes_at:
            return False
        self.is_out = not self.is_out
        self.changes_at = now + self._minutes(LOOSE_FOR_MINUTES if self.is_out else LOOSE_MINUTES)
        return True

    def _minutes(self, span: tuple[int, int]) -> timedelta:
        return timedelta(minutes=self._random.randint(*span))
