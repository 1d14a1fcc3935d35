"""When figures for graphs are told: with news, every 15 seconds at the most, and each minute."""

from __future__ import annotations

from collections import Counter
from datetime import timedelta
from importlib.metadata import version
from typing import TYPE_CHECKING, Final

from config.files.errors import MetricsError, TariffError
from daemon.control.events import Warn
from daemon.messaging.outbox import command_message
from daemon.messaging.status import status_of
from daemon.observers.metrics import TOLD_AT, DaemonShown, PointShown, families_of

if TYPE_CHECKING:
    from datetime import datetime
    from decimal import Decimal

    from adapters.metrics.families import Family, Teller
    from config.household.metrics import Metrics
    from daemon.control.state import House, PointState
    from daemon.observers.turn import Turn

AT_MOST_EVERY: Final = timedelta(seconds=15)
AT_LEAST_EVERY: Final = timedelta(minutes=1)

EXTRA_MISSING: Final = (
    "the household file has metrics, which need the extra: pip install 'lullwatt[metrics]'"
)


def check_metrics(metrics: Metrics | None) -> None:
    """Refuse what would keep figures from being given out, as far as it can be told beforehand.

    Parameters
    ----------
    metrics : Metrics or None
        What the household file says.

    Raises
    ------
    MetricsError
        If the extra is not installed, or the file can't be where it is to be.
    """
    if metrics is None:
        return
    try:
        from adapters.metrics.file import refuse_file  # noqa: PLC0415 - loads what is an extra
    except ModuleNotFoundError as error:
        raise MetricsError(EXTRA_MISSING) from error
    if metrics.file is not None:
        refuse_file(metrics.file)


def teller_of(metrics: Metrics) -> Teller:
    """Make what gives out figures, not begun yet.

    Parameters
    ----------
    metrics : Metrics
        What the household file says.

    Returns
    -------
    Teller
        A file's or a server's.
    """
    if metrics.file is not None:
        from adapters.metrics.file import MetricsFile  # noqa: PLC0415 - as above

        return MetricsFile(metrics.file)
    from adapters.metrics.server import MetricsServer  # noqa: PLC0415 - as above

    assert metrics.address is not None  # noqa: S101 - one of the two is given
    return MetricsServer(metrics.address)


class MetricsSchedule:
    """Has figures told, on the loop's thread.

    Parameters
    ----------
    teller : Teller
        Gives them out.
    """

    def __init__(self, teller: Teller) -> None:
        self._teller = teller
        self._version = version("lullwatt")
        self._alerts: Counter[tuple[str, str]] = Counter()
        self._nights: Counter[str] = Counter()
        self._looked_at: datetime | None = None
        self._told_at: datetime | None = None
        self._gist: list[Family] = []

    def start(self) -> None:
        """Begin to give out figures.

        Raises
        ------
        MetricsError
            If they can't be given out.
        """  # noqa: DOC502 - raised by the teller
        self._teller.start()

    def stop(self) -> None:
        """Give out no more."""
        self._teller.stop()

    def after(self, turn: Turn) -> None:
        """Count what was done, and tell what is news, or again what is not."""
        self._alerts.update((at, did.code) for at, did in turn.actions if isinstance(did, Warn))
        self._nights.update(night["charge_point"] for night in turn.nights)
        if not _is_past(self._looked_at, AT_MOST_EVERY, turn.now):
            return
        self._looked_at = turn.now
        families = self._families(turn)
        gist = [family for family in families if family.name != TOLD_AT]
        if gist != self._gist or _is_past(self._told_at, AT_LEAST_EVERY, turn.now):
            self._gist, self._told_at = gist, turn.now
            self._teller.tell(families)

    def _families(self, turn: Turn) -> tuple[Family, ...]:
        now, house = turn.now, turn.house
        # Those that are here from the start: a graph wants to see a count go from 0 to 1.
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
    return PointShown(status_of(state, now, house), command, state.plan)


def _rate(house: House, now: datetime) -> Decimal | None:
    try:
        return house.prices.rate_at(now).rate
    except TariffError:
        return None


def _is_past(last: datetime | None, span: timedelta, now: datetime) -> bool:
    """Whether so much time has passed; a clock that was put back is no reason to wait for it."""
    return last is None or not timedelta(0) <= now - last < span
