"""Appraise one home on a worker of a cluster, unless its result is known already."""

from __future__ import annotations

import os
from threading import Timer
from typing import TYPE_CHECKING, Any, NamedTuple

from daemon.desk.appraised_view import appraised_row
from daemon.desk.homes import Reading, reading_of

if TYPE_CHECKING:
    from pathlib import Path

    from daemon.desk.appraising import Desk


class Done(NamedTuple):
    """What became of a home: its reading with its row, and the hash of its inputs.

    `row` is None if the inputs are those of the result that is known already.
    """

    reading: Reading[dict[str, Any]]
    inputs: str
    is_known: bool


def appraise_home(desk: Desk, file: Path, known: str, limit_seconds: float) -> Done:
    """Appraise a home.

    Parameters
    ----------
    desk : Desk
        The choices.
    file : Path
        The household file.
    known : str
        The hash of the inputs whose result is known; empty for none.
    limit_seconds : float
        This process ends itself if it takes longer: the cluster starts another one.

    Returns
    -------
    Done
        The row, or the fault.
    """
    found = ""

    def read(file: Path, reading: Reading[dict[str, Any]]) -> dict[str, Any]:
        nonlocal found
        prepared = desk.prepared(file, reading)
        found = prepared.inputs()
        return {} if found == known else appraised_row(desk.finished(prepared))

    late = Timer(limit_seconds, os._exit, (1,))
    late.daemon = True
    late.start()
    try:
        reading = reading_of(read, file)
    finally:
        late.cancel()
    is_known = reading.fault is None and found == known
    return Done(reading, "" if reading.fault else found, is_known)
