"""The command `lullwatt rehearse`."""

from __future__ import annotations

import sys
from datetime import datetime
from os import cpu_count
from pathlib import Path
from typing import TYPE_CHECKING

from config.files.errors import UsageError
from daemon.presentation.logs import set_up_logs
from daemon.presentation.options import NEED_UNMET, USUAL_NIGHTS, USUAL_PACE
from daemon.presentation.output import json_text, say, write_output
from daemon.rehearsal.homes import keep_homes
from daemon.rehearsal.set_up import rehearse_night

if TYPE_CHECKING:
    from adapters.simulated.roof import Sky


def rehearse(  # noqa: PLR0917 - click passes them by name
    file: Path | None,
    vehicle: str | None,
    socs: dict[str | None, float],
    at: datetime | None,
    home: str | None,
    sky: Sky | None,
    *,
    pace: float | None,
    with_page: bool,
    keep: Path | None,
    nights: int | None,
    homes: int | None,
    as_json: bool,
) -> None:
    """Rehearse a night, or keep many nights of invented homes."""
    if pace is not None and not with_page:
        raise UsageError("--pace: expected --page beside it")
    if as_json and with_page:
        raise UsageError("--json: expected no --page beside it, which goes on until Ctrl-C")
    set_up_logs(quiet=True)
    if keep is not None:
        others = (file, vehicle, at, home, sky, with_page or None, as_json or None, *socs)
        if any(each is not None for each in others):
            raise UsageError("--keep: expected only --nights and --homes beside it")
        keep_homes(keep, nights or USUAL_NIGHTS, homes or 1, processes=cpu_count() or 1, say=say)
        return
    if nights is not None or homes is not None:
        raise UsageError("--nights, --homes: expected --keep FOLDER beside them")
    result = rehearse_night(
        file,
        vehicle=vehicle,
        soc_percent=socs.get(None),
        socs={name: soc for name, soc in socs.items() if name is not None},
        at=at,
        with_home=home is not None,
        sky=sky,
        pace=(pace or USUAL_PACE) if with_page else None,
        say=_discard if as_json else say,
    )
    if as_json:
        write_output(json_text(result.to_json()))
    if result.is_short and not with_page:
        sys.exit(NEED_UNMET)


def _discard(_line: str) -> None:
    """Print nothing."""
