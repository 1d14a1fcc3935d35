"""Appraise very many homes, keep each result, and do none again whose inputs are the same."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from adapters.workers.in_order import Lost
from daemon.desk.appraised_view import appraised_row
from daemon.desk.appraising import HomeChoices, desk_of
from daemon.desk.homes import Reading, each_home
from daemon.fleet.cluster import connected
from daemon.fleet.results import Results
from daemon.fleet.task import appraise_home

if TYPE_CHECKING:
    from collections.abc import Callable, Generator, Mapping, Sequence

    from adapters.workers.in_order import Workers
    from config.choices.choices_file import ChoicesFile

LOST = "the process that worked on it ended twice: it took too long, or there was no memory"


@dataclass(frozen=True, slots=True)
class Fleet:
    """Where many homes are appraised.

    Attributes
    ----------
    results : Path
        The folder in which results are kept.
    scheduler : str or None
        The address of a Dask scheduler; None for a cluster on this machine.
    workers : Workers
        Processes of that cluster, and how long a home may take.
    """

    results: Path
    scheduler: str | None
    workers: Workers


def appraise_fleet(
    choices: ChoicesFile,
    files: Sequence[Path],
    fleet: Fleet,
    progress: Callable[[int, int], None],
    *,
    tariffs_only: bool,
) -> list[dict[str, Any]]:
    """Appraise the same choices for very many homes.

    Parameters
    ----------
    choices : ChoicesFile
        The choices, the year, and when vehicles are away.
    files : sequence of Path
        Household files, which every worker of the cluster can read under the same path.
    fleet : Fleet
        Where they are appraised, and what is kept.
    progress : callable
        Is told how many homes are done, of how many.
    tariffs_only : bool
        Whether only the tariffs of the choices count.

    Returns
    -------
    list of dict
        A row for each file, in the order given.
    """
    kept, limit = Results(fleet.results), fleet.workers.limit_seconds
    desk = desk_of(choices, tariffs_only=tariffs_only)

    def read(once: Sequence[Path]) -> Generator[Reading[dict[str, Any]] | Lost, None, None]:
        tasks = [(desk, file.absolute(), _known(kept, file), limit) for file in once]
        try:
            with connected(fleet.scheduler, fleet.workers.count) as cluster:
                for count, (task, done) in enumerate(cluster.results(appraise_home, tasks)):
                    progress(count, len(tasks))
                    _keep(kept, str(task[1]), done)
        finally:
            kept.flush()
        kept.tidy()
        yield from (_reading(kept.get(str(file.absolute())) or {}, file) for file in once)

    return list(each_home(files, read, _unread))


def _known(kept: Results, file: Path) -> str:
    """Return the hash of the inputs of what is kept; empty for a fault, which may be mended."""
    row = kept.get(str(file.absolute()))
    return "" if row is None else row["inputs"]


def _keep(kept: Results, path: str, done: Any) -> None:  # noqa: ANN401 - Done, or None
    if done is None:
        kept.add(_unread(Path(path), path, LOST) | _beside(path, "", Reading()))
    elif not done.is_known:
        reading = done.reading
        row = reading.home or _unread(Path(path), reading.name, reading.fault)
        kept.add(row | _beside(path, done.inputs, reading))


def _beside(path: str, inputs: str, reading: Reading[Any]) -> dict[str, Any]:
    ledger = None if reading.ledger is None else str(reading.ledger)
    nights = None if reading.nights is None else sorted(reading.nights)
    return {"path": path, "inputs": inputs, "ledger": ledger, "nights": nights}


def _reading(row: Mapping[str, Any], file: Path) -> Reading[dict[str, Any]]:
    """Make the reading of a row that is kept."""
    own = dict(row)
    nights, ledger = own.pop("nights"), own.pop("ledger")
    path = own.pop("path")
    del own["inputs"]
    own["file"] = str(file)
    if own["household"] == path:  # it has no name that could be read
        own["household"] = str(file)
    reading = Reading(
        None if own["fault"] else own,
        own["household"],
        own["fault"],
        None if ledger is None else Path(ledger),
        None if nights is None else frozenset(nights),
    )
    return reading if reading.ledger is not None else replace(reading, nights=None)


def _unread(file: Path, name: str, fault: str) -> dict[str, Any]:
    return appraised_row(HomeChoices(file, name, fault=fault))
