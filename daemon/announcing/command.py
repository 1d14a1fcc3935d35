"""The command `lullwatt announce`: tell the home's network where the doors are."""

from __future__ import annotations

from pathlib import Path

import click

from config.files.errors import UsageError
from config.household.loading import load_household
from daemon.presentation.logs import set_up_logs
from daemon.presentation.options import FILE

_NOTHING = (
    "expected a key announce at the top of the household file, such as\n"
    "announce: {services: [page, ocpp], host: kowhai-cottage.local}"
)


@click.command()
@FILE
def announce(file: Path) -> None:
    """Announce the doors of the household in the home's network, until SIGTERM or Ctrl-C.

    Phones and equipment that look for services by DNS-SD, with multicast DNS, then find the page,
    the broker and the address for OCPP. The key announce of the household file says which.
    """  # noqa: DOC501 - this text is the command's help
    household = load_household(file)
    if household.announce is None:
        raise UsageError(_NOTHING)
    set_up_logs()
    try:
        from daemon.announcing.announcing import announce_until_told  # noqa: PLC0415
    except ModuleNotFoundError as error:
        raise UsageError(
            f"announcing needs the package {error.name}, which is not installed;"
            " install Lullwatt with its extra discovery: pip install '.[discovery]'"
        ) from error
    announce_until_told(file, household)
