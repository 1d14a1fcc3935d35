"""Set a rehearsal up with a separate ledger and broker, and a narrator."""

from __future__ import annotations

import tempfile
from contextlib import ExitStack
from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from importlib.resources import as_file, files
from pathlib import Path
from signal import SIGINT, SIGTERM
from typing import TYPE_CHECKING

from adapters.bus.embedded_broker import EmbeddedBroker
from adapters.clocks.clock import SystemClock
from adapters.host.signals import heed_signals
from adapters.ledger.ledger import open_ledger
from adapters.ledger.stored_prices import stored_intensities, stored_news, stored_sunshine
from config.doors.broker import Bus
from config.files.announcements import announcements_in, prices_in
from config.files.errors import UsageError
from daemon.control.state import assumed_soc_percent
from daemon.messaging.hardware_channels import without_ocpp
from daemon.rehearsal.hardware import hardware_as_wired, why_not_played
from daemon.rehearsal.narrator import Narrator
from daemon.rehearsal.pace import Pace
from daemon.rehearsal.rehearsal import Evening, Rehearsal, RehearsalResult
from daemon.service.household_watch import HouseholdWatch
from planners.local_time.conversion import instant_of_local, local_date

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from contextlib import AbstractContextManager

    from adapters.clocks.clock import VirtualClock
    from adapters.ledger.ledger import Ledger
    from adapters.simulated.roof import Sky
    from config.household.household_file import HouseholdFile
    from daemon.control.state import House

DEMO = "kowhai.yaml"
"""The demo household, of our own invention, in `config/examples`."""

TWO_CARS = "two-cars.yaml"
"""The same home with two vehicles behind a smaller main fuse, for rehearsals with a home."""

DEMO_EVENING = datetime(2026, 6, 3, 6, 30, tzinfo=UTC)
"""A winter Wednesday, 18:30 at Kowhai Cottage."""

OWN_ROOF = "own-roof.yaml"
"""The same home with solar modules, for rehearsals with a sky."""

SUNNY_EVENING = datetime(2026, 12, 4, 5, 30, tzinfo=UTC)
"""A summer Friday, 18:30 at Kowhai Cottage; on Saturday the car leaves at 16:00."""

DEMO_SOC_PERCENT = 35.0
EVENING = time(18, 30)
_LEDGER = "ledger.sqlite3"


def rehearse_night(
    path: Path | None,
    *,
    vehicle: str | None,
    soc_percent: float | None = None,
    at: datetime | None,
    say: Callable[[str], None],
    socs: Mapping[str, float] | None = None,
    with_home: bool = False,
    sky: Sky | None = None,
    pace: float | None = None,
) -> RehearsalResult:
    """Rehearse a night of a household, and write what happens as it happens.

    Parameters
    ----------
    path : Path or None
        The household file; None for the demo household, with `with_home` that with two vehicles.
    vehicle : str or None
        A vehicle of it, which comes alone; None for one at each charge point: the one in `socs`, or
        else its first.
    soc_percent : float or None
        State of charge of the first vehicle that comes; None for what the file assumes.
    at : datetime or None
        When it is plugged in; None for the demo's evening, or the next 18:30.
    say : callable
        Takes each line of text.
    socs : mapping of str to float, optional
        State of charge of vehicles, by name.
    with_home : bool, optional
        Whether a simulated busy home draws current too.
    sky : {"clear", "broken", "dull"}, optional
        What is above simulated roofs; without a file, those of the example with a roof.
    pace : float, optional
        Minutes of the night that pass in a second, with the household's page to look at, one
        evening after the other until Ctrl-C; without it, the night is over in seconds.

    Returns
    -------
    RehearsalResult
        What happened.

    Raises
    ------
    UsageError
        If no such vehicle is in the file, a home has no main fuse to share, or no roof for a sky.
    LullwattError
        If the file has faults, or the rehearsal fails.
    """  # noqa: DOC502 - raised by the parts
    with ExitStack() as ending:
        if path is None:
            demo = OWN_ROOF if sky else TWO_CARS if with_home else DEMO
            path = ending.enter_context(as_file(files("config") / "examples" / demo))
            at = at or (SUNNY_EVENING if sky else DEMO_EVENING)
            if demo == DEMO and soc_percent is None:
                soc_percent = DEMO_SOC_PERCENT
        watch = HouseholdWatch(path)
        file = watch.house.file
        if with_home and file.household.main_fuse_amps is None:
            raise UsageError("--home: expected main_fuse_amps in the file, which the home shares")
        evenings = _evenings(file, vehicle, soc_percent, socs or {}, at or _next_evening(file))
        directory = Path(ending.enter_context(tempfile.TemporaryDirectory(prefix="lullwatt-")))
        ledger = open_ledger(directory / _LEDGER)
        ending.callback(ledger.close)
        _copy_prices(file, ledger)
        broker = EmbeddedBroker()
        port = broker.start()
        ending.callback(broker.stop)
        bus = Bus(broker=f"mqtt://127.0.0.1:{port}", root=file.bus.root)
        narrator = Narrator(file, evenings, say)
        is_wired = any(each.wiring is not None for each in file.charge_points.values())
        unplayable = why_not_played(file) if is_wired else None
        if unplayable is not None:
            say(f"The wiring is not rehearsed: {unplayable}.")
        if is_wired and unplayable is None:
            say("The hardware is simulated as it is wired in the file.")
        as_wired = is_wired and unplayable is None
        passing = None if pace is None else Pace(pace, evenings[0].at)
        rehearsal = Rehearsal(
            watch, ledger, bus, evenings[0], narrator.observe,
            beside=evenings[1:], with_home=with_home, sky=sky, pace=passing,
            make_hardware=hardware_as_wired(file) if as_wired else None,
            wired=without_ocpp(file) if as_wired else None,
        )  # fmt: skip
        narrator.open(rehearsal)
        if passing is not None:
            kept = file.ledger.model_copy(update={"path": directory / _LEDGER})
            there = file.model_copy(update={"bus": bus, "ledger": kept})
            house = replace(watch.house, file=there)
            page = _page_of()(path, house, rehearsal.clock, directory)
            say(f"Open {ending.enter_context(page)} in a browser on this machine.")
            say("Ctrl-C ends the rehearsal.")
            ending.enter_context(heed_signals({SIGINT: passing.stop, SIGTERM: passing.stop}))
        result = rehearsal.run()
        if passing is None:
            narrator.close(result)
        return result


def _page_of() -> Callable[[Path, House, VirtualClock, Path], AbstractContextManager[str]]:
    """Load what serves the page: its packages are an extra."""
    try:
        from daemon.rehearsal.page import rehearsed_page  # noqa: PLC0415
    except ModuleNotFoundError as error:
        raise UsageError(
            f"--page needs the package {error.name}, which is not installed;"
            " install Lullwatt with its extra page: pip install '.[page]'"
        ) from error
    return rehearsed_page


def _copy_prices(file: HouseholdFile, ledger: Ledger) -> None:
    """Copy the prices, announcements and series that the household's ledger has from its bus."""
    names = [each.name for each in file.tariffs if each.series or each.announced]
    for name, news in stored_news(file.ledger.path, names).items():
        ledger.add_prices(name, prices_in(news))
        ledger.add_announcements(name, announcements_in(news))
    if file.generation is not None:
        points, _hours = stored_sunshine(file.ledger.path)
        ledger.add_forecast(points, datetime.min.replace(tzinfo=UTC))
    if file.carbon is not None:
        _of_file, of_bus = stored_intensities(file.ledger.path)
        ledger.add_intensities(of_bus, "bus", datetime.min.replace(tzinfo=UTC))


def _evenings(
    file: HouseholdFile,
    vehicle: str | None,
    soc_percent: float | None,
    socs: Mapping[str, float],
    at: datetime,
) -> list[Evening]:
    names = list(file.vehicles)
    for option, given in (("--vehicle", [vehicle] if vehicle else []), ("--soc", list(socs))):
        for name in given:
            if name not in names:
                raise UsageError(f"{option}: expected one of {', '.join(names)}, got {name!r}")
    there = {vehicle} if vehicle else set(_one_each(file, socs).values())
    evenings = [
        Evening(name, at, socs.get(name, assumed_soc_percent(file, name)))
        for name in names
        if name in there
    ]
    if soc_percent is not None:
        evenings[0] = replace(evenings[0], soc_percent=soc_percent)
    return evenings


def _one_each(file: HouseholdFile, socs: Mapping[str, float]) -> dict[str, str]:
    """Choose a vehicle for each charge point: one of `socs`, or else its first."""
    chosen: dict[str, str] = {}
    for name in (*socs, *file.vehicles):
        point = file.vehicles[name].charge_point
        other = chosen.setdefault(point, name)
        if name in socs and other != name:
            raise UsageError(f"--soc: expected one vehicle at {point}, got {other} and {name}")
    return chosen


def _next_evening(file: HouseholdFile) -> datetime:
    now = SystemClock().now()
    today = instant_of_local(local_date(now, file.zone), EVENING, file.zone)
    return today if today >= now else today + timedelta(days=1)
