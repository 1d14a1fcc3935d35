"""Play months of invented homes and keep their files and ledgers: `lullwatt rehearse --keep`."""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from importlib.resources import files
from multiprocessing import get_context
from typing import TYPE_CHECKING, Final

from adapters.ledger.ledger import open_ledger
from adapters.simulated.faults import Fault
from config.fields.names import topic_level
from config.files.errors import UsageError
from daemon.presentation.logs import set_up_logs
from daemon.rehearsal.kept_nights import KeptNights
from daemon.rehearsal.rehearsal import Evening
from daemon.service.household_watch import HouseholdWatch

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

FIRST_EVENING: Final = datetime(2026, 6, 1, 6, 30, tzinfo=UTC)
"""Monday 1 June, 18:30 where the demo's homes are."""

FLAT: Final = (
    ("  - name: Three-band\n", "  - name: One rate\n"),
    ("{name: night, rate: 0.168,", "{name: night, rate: 0.289,"),
    ("{name: peak, rate: 0.412,", "{name: peak, rate: 0.289,"),
    ("{name: day, rate: 0.305}", "{name: day, rate: 0.289}"),
)
"""Parts of the demo's file, and what a home that pays one rate has in their place."""
FAR: Final = ("daily_distance_km: 45 ", "daily_distance_km: 130")
NEAR: Final = ("daily_distance_km: 45 ", "daily_distance_km: 18 ")
SMALL: Final = ("usable_kwh: 52", "usable_kwh: 28")
SOCKET: Final = (
    """    charging_mode: 3                # 3: fixed equipment; 2: a socket and an in-cable box
    max_amps: 32
""",
    """    charging_mode: 2                # 3: fixed equipment; 2: a socket and an in-cable box
    max_amps: 10
""",
)


@dataclass(frozen=True)
class InventedHome:
    """A home of the demo: what it is called, and how it differs from the first.

    Attributes
    ----------
    name : str
        Its name.
    changes : tuple of (str, str)
        Parts of the demo's household file, and what stands there instead.
    fault : Fault or None
        What is wrong with its hardware.
    """

    name: str
    changes: tuple[tuple[str, str], ...] = ()
    fault: Fault | None = None


HOMES: Final = (
    InventedHome("Kowhai Cottage"),
    InventedHome("Rata House", (NEAR,)),
    InventedHome("Totara Lodge", (FAR,)),
    InventedHome("Rimu Cottage", FLAT),
    InventedHome("Matai House", (SMALL,)),
    InventedHome("Nikau Lodge", (SOCKET,)),
    InventedHome("Puriri Cottage", (SOCKET, FAR)),
    InventedHome("Manuka House", fault=Fault.DROPS_TENTH),
    InventedHome("Karaka Lodge", (*FLAT, FAR)),
    InventedHome("Kauri Cottage", (SMALL, NEAR)),
    InventedHome("Tawa House", fault=Fault.UNPLUGGED),
    InventedHome("Miro Lodge", (SMALL, SOCKET)),
)
"""The homes of the demo, in the order in which they are kept."""


def keep_homes(
    folder: Path, nights: int, homes: int, *, processes: int, say: Callable[[str], None]
) -> None:
    """Play nights of some homes, several at a time, and keep file and ledger of each.

    Parameters
    ----------
    folder : Path
        Gets a folder for each home; it must not exist yet, or be empty.
    nights : int
        How many nights, from the first evening on.
    homes : int
        How many homes.
    processes : int
        How many are played at a time.
    say : callable
        Takes a line of text for each home as it is done.

    Raises
    ------
    UsageError
        If the folder has something in it, or can't be written.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        is_empty = not any(folder.iterdir())
    except OSError as error:
        raise UsageError(f"--keep {folder}: {error.strerror}") from error
    if not is_empty:
        raise UsageError(f"--keep {folder}: expected a new or an empty folder")
    tasks = [(folder / topic_level(home.name), nights, n) for n, home in enumerate(HOMES[:homes])]
    apart = get_context("spawn")
    quietly = partial(set_up_logs, quiet=True)
    with ProcessPoolExecutor(min(processes, homes), apart, quietly) as pool:
        running = [pool.submit(keep_home, *task) for task in tasks]
        for done in as_completed(running):
            say(done.result())
    pattern = "*/house.yaml" if homes > 1 else f"{tasks[0][0].name}/house.yaml"
    say(f"Look at them: lullwatt month {folder}/{pattern} {FIRST_EVENING:%Y-%m}")


def keep_home(folder: Path, nights: int, number: int) -> str:
    """Play nights of one home, and keep its file and its ledger.

    Parameters
    ----------
    folder : Path
        Is made, with `house.yaml` and `ledger.sqlite3`.
    nights : int
        How many nights.
    number : int
        Which of the homes, from 0; it also draws distances and times.

    Returns
    -------
    str
        What there is now, in a line.
    """
    home = HOMES[number]
    folder.mkdir()
    path = folder / "house.yaml"
    path.write_text(household_text(home), "utf-8")
    watch = HouseholdWatch(path)
    file = watch.house.file
    evening = Evening(next(iter(file.vehicles)), FIRST_EVENING, soc_percent=45.0)
    with open_ledger(file.ledger.path) as ledger:
        kwh = KeptNights(watch, ledger, evening, seed=number, fault=home.fault).play(nights)
    return f"{home.name}: {nights} nights, {kwh:.3f} kWh at the meter"


def household_text(home: InventedHome) -> str:
    """Return the household file of an invented home."""
    text = files("config").joinpath("examples", "kowhai.yaml").read_text("utf-8")
    named = (
        ("name: Kowhai Cottage", f"name: {home.name}"),
        ("in topics is kowhai-cottage", f"in topics is {topic_level(home.name)}"),
    )
    for old, new in (*home.changes, *named):
        if old not in text:
            raise ValueError(f"kowhai.yaml does not say {old!r} any longer")
        text = text.replace(old, new, 1)
    return text
