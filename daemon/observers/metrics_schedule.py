"""Publish figures for graphs: when they change, at most every 15 seconds, and each minute."""

from __future__ import annotations

from collections import Counter
from datetime import timedelta
from importlib.metadata import version
from typing import TYPE_CHECKING, Final

from config.files.errors import TariffError
from daemon.control.events import Warn
from daemon.control.replanning import plan_now
from daemon.messaging.outbox import command_message
from daemon.messaging.status import status_of
from daemon.observers.metrics import UPDATED_AT, DaemonShown, PointShown, families_of

if TYPE_CHECKING:
    from datetime import datetime
    from decimal import Decimal

    from adapters.metrics.families import Family, MetricsOutput
    from daemon.control.state import House, PointState
    from daemon.observers.turn import Turn

AT_MOST_EVERY: Final = timedelta(seconds=15)
AT_LEAST_EVERY: Final = timedelta(minutes=1)


class MetricsSchedule:
    """Has figures published, on the loop's thread.

    Parameters
    ----------
    output : MetricsOutput
        Publishes them.
    """

    def __init__(self, output: MetricsOutput) -> None:
        self._output = output
        self._version = version("lullwatt")
        self._alerts: Counter[tuple[str, str]] = Counter()
        self._nights: Counter[str] = Counter()
        self._compared_at: datetime | None = None
        self._published_at: datetime | None = None
        self._last: list[Family] = []

    def start(self) -> None:
        """Begin to publish figures.

        Raises
        ------
        MetricsError
            If they can't be published.
        """  # noqa: DOC502 - raised by the output
        self._output.start()

    def stop(self) -> None:
        """Publish no more."""
        self._output.stop()

    def after(self, turn: Turn) -> None:
        """Count alerts and nights; publish the figures if they are new or a minute old."""
        self._alerts.update((at, act.code) for at, act in turn.actions if isinstance(act, Warn))
        self._nights.update(night["charge_point"] for night in turn.nights)
        if not _has_passed(AT_MOST_EVERY, self._compared_at, turn.now):
            return
        self._compared_at = turn.now
        families = self._families(turn)
        figures = [family for family in families if family.name != UPDATED_AT]
        if figures != self._last or _has_passed(AT_LEAST_EVERY, self._published_at, turn.now):
            self._last, self._published_at = figures, turn.now
            self._output.update(families)

    def _families(self, turn: Turn) -> tuple[Family, ...]:
        now, house = turn.now, turn.house
        # Counts begin at 0 for each charge point, so that a graph sees the first rise.
        nights = dict.fromkeys(turn.states, 0) | self._nights
        daemon = DaemonShown(
            now=now,
            version=self._version,
            currency=house.file.household.currency,
            connected=turn.connected,
            records=turn.records,
            rate=_rate(house, now) if turn.states else None,
            alerts=self._alerts,
            nights=nights,
        )
        points = {name: _shown(state, now, house) for name, state in turn.states.items()}
        return families_of(daemon, points)


def _shown(state: PointState, now: datetime, house: House) -> PointShown:
    command = command_message(state.command) if state.command else None
    return PointShown(status_of(state, now, house), command, plan_now(state, now, house))


def _rate(house: House, now: datetime) -> Decimal | None:
    try:
        return house.prices.rate_at(now).rate
    except TariffError:
        return None


def _has_passed(span: timedelta, last: datetime | None, now: datetime) -> bool:
    """Whether a span has passed since then, or the clock was put back since."""
    return last is None or not timedelta(0) <= now - last < span
