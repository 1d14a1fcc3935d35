"""Set a rehearsal up with a separate ledger and broker, and a narrator."""

from __future__ import annotations

import tempfile
from contextlib import ExitStack
from datetime import UTC, datetime, time, timedelta
from importlib.resources import as_file, files
from pathlib import Path
from typing import TYPE_CHECKING

from adapters.bus.embedded_broker import EmbeddedBroker
from adapters.clocks.clock import SystemClock
from adapters.ledger.ledger import open_ledger
from adapters.ledger.stored_prices import stored_prices
from config.files.errors import UsageError
from config.household.broker import Bus
from daemon.control.state import assumed_soc_percent
from daemon.rehearsal.narrator import Narrator
from daemon.rehearsal.rehearsal import Evening, Rehearsal, RehearsalResult
from daemon.service.household_watch import HouseholdWatch
from planners.local_time.conversion import instant_of_local, local_date

if TYPE_CHECKING:
    from collections.abc import Callable

    from adapters.ledger.ledger import Ledger
    from config.household.household_file import HouseholdFile

DEMO = "kowhai.yaml"
"""The demo household, of our own invention, in `config/examples`."""

DEMO_EVENING = datetime(2026, 6, 3, 6, 30, tzinfo=UTC)
"""A winter Wednesday, 18:30 at Kowhai Cottage."""

DEMO_SOC_PERCENT = 35.0
EVENING = time(18, 30)


def rehearse_night(
    path: Path | None,
    *,
    vehicle: str | None,
    soc_percent: float | None,
    at: datetime | None,
    say: Callable[[str], None],
) -> RehearsalResult:
    """Rehearse a night of a household, and write what happens as it happens.

    Parameters
    ----------
    path : Path or None
        The household file; None for the demo household.
    vehicle : str or None
        A vehicle of it; None for its first.
    soc_percent : float or None
        State of charge at plug-in; None for what the file assumes.
    at : datetime or None
        When it is plugged in; None for the demo's evening, or the next 18:30.
    say : callable
        Takes each line of text.

    Returns
    -------
    RehearsalResult
        What happened.

    Raises
    ------
    LullwattError
        If the file has faults, or the rehearsal fails.
    """  # noqa: DOC502 - raised by the parts
    with ExitStack() as ending:
        if path is None:
            path = ending.enter_context(as_file(files("config") / "examples" / DEMO))
            at = at or DEMO_EVENING
            soc_percent = DEMO_SOC_PERCENT if soc_percent is None else soc_percent
        watch = HouseholdWatch(path)
        file = watch.house.file
        evening = _evening(file, vehicle, soc_percent, at)
        directory = Path(ending.enter_context(tempfile.TemporaryDirectory(prefix="lullwatt-")))
        ledger = open_ledger(directory / "ledger.sqlite3")
        ending.callback(ledger.close)
        _copy_prices(file, ledger)
        broker = EmbeddedBroker()
        port = broker.start()
        ending.callback(broker.stop)
        bus = Bus(broker=f"mqtt://127.0.0.1:{port}", root=file.bus.root)
        narrator = Narrator(file, evening, say)
        rehearsal = Rehearsal(watch, ledger, bus, evening, narrator.observe)
        narrator.open(rehearsal.clock)
        result = rehearsal.run()
        narrator.close(result)
        return result


def _copy_prices(file: HouseholdFile, ledger: Ledger) -> None:
    """Copy the prices that the household's ledger has from its bus."""
    series = [tariff.name for tariff in file.tariffs if tariff.prices is not None]
    for name, points in stored_prices(file.ledger.path, series).items():
        ledger.add_prices(name, points)


def _evening(
    file: HouseholdFile, vehicle: str | None, soc_percent: float | None, at: datetime | None
) -> Evening:
    names = list(file.vehicles)
    if vehicle is not None and vehicle not in names:
        raise UsageError(f"--vehicle: expected one of {', '.join(names)}, got {vehicle!r}")
    name = vehicle or names[0]
    if soc_percent is None:
        soc_percent = assumed_soc_percent(file, name)
    return Evening(name, at or _next_evening(file), soc_percent)


def _next_evening(file: HouseholdFile) -> datetime:
    now = SystemClock().now()
    today = instant_of_local(local_date(now, file.zone), EVENING, file.zone)
    return today if today >= now else today + timedelta(days=1)
