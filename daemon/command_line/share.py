"""The command `lullwatt share`: what a household gives its adviser."""

from __future__ import annotations

from datetime import date, timedelta
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING

import click

from adapters.clocks.clock import SystemClock
from adapters.host.whole_file import replacing
from adapters.ledger.exact_json import dump_exact
from config.extract.extract_file import Consent, Shares, values_of
from config.fields.names import readable_topic_level
from config.files.errors import UsageError
from config.household.loading import load_household
from daemon.command_line.reports import read_month_name
from daemon.extracts.making import Asked, make_extract
from daemon.night_log.month_reading import ledger_of, month_days
from daemon.presentation.figures import counted
from daemon.presentation.options import FILE, read_date
from daemon.presentation.output import needs_extra, say
from daemon.service.house_loading import load_recorded_house
from planners.local_time.conversion import local_date

if TYPE_CHECKING:
    from collections.abc import Iterator

    from config.extract.extract_file import Extract

CHOSEN = {
    "half_hours": "half-hours",
    "soc": "state of charge",
    "plug_in_times": "plug-in times",
}
"""What a household may share besides, in words."""
USUAL_PURPOSE = "the monthly review of charging"
USUAL_DAYS = 365
MOST_DAYS = 1100


@click.command()
@FILE
@click.option(
    "--month", "when", callback=read_month_name, required=True, metavar="MONTH",
    help="The month to share, such as 2026-10.",
)  # fmt: skip
@click.option(
    "--to", "recipients", multiple=True, metavar="RECIPIENT",
    help="Who alone can read it: the adviser's recipient (age1...); may be repeated. Without:"
    " whoever has the file.",
)  # fmt: skip
@click.option(
    "--half-hours", is_flag=True,
    help="Also share metered energy by half-hours. They show when somebody was at home.",
)  # fmt: skip
@click.option("--soc", is_flag=True, help="Also share the state of charge, before and after.")
@click.option(
    "--plug-in-times", is_flag=True,
    help="Also share when vehicles were plugged in, left, and were to leave.",
)  # fmt: skip
@click.option(
    "--purpose", default=USUAL_PURPOSE, show_default=True, metavar="TEXT",
    help="What it may be used for.",
)  # fmt: skip
@click.option(
    "--until", callback=read_date, metavar="DATE",
    help=f"Last day on which it may be read; {USUAL_DAYS} days from today unless given.",
)  # fmt: skip
@click.option(
    "--output", type=click.Path(path_type=Path), metavar="PATH",
    help="Write to this file; without, into this folder, named after home and month.",
)  # fmt: skip
def share(  # noqa: PLR0917 - click passes them by name
    file: Path,
    when: tuple[int, int],
    recipients: tuple[str, ...],
    purpose: str,
    until: date | None,
    output: Path | None,
    *,
    half_hours: bool,
    soc: bool,
    plug_in_times: bool,
) -> None:
    """Write an extract of a month for an adviser: signed by this home, encrypted to the adviser.

    It has the nights with energy, cost, bands and what simple rules would have cost, how often each
    alert came, and what the household file says of tariffs, charge points and vehicles. It never
    has addresses, passwords, the broker, hardware, departures, or what the rest of the home draws.
    Nothing is sent: give the file to the adviser yourself. On first use this home's signing key is
    made, and kept beside the ledger; tell the adviser its fingerprint once.
    """  # noqa: DOC501 - this text is the command's help
    with needs_extra("lullwatt share", "extracts"):
        from adapters.sealing.encrypting import check_recipient  # noqa: PLC0415
        from adapters.sealing.envelope import seal  # noqa: PLC0415
        from adapters.sealing.signing import fingerprint, signer_beside  # noqa: PLC0415

    for each in recipients:
        check_recipient(each, "--to")
    load_household(file)  # a home that was received is not one's own to share
    (house, _), now = load_recorded_house(file), SystemClock().now()
    today = local_date(now, house.file.zone)
    until = until or today + timedelta(days=USUAL_DAYS)
    if not today <= until <= today + timedelta(days=MOST_DAYS):
        raise UsageError(
            f"--until: expected a date from today to three years from now, got {until}"
        )
    if not purpose.strip() or not purpose.isprintable() or len(purpose) > 200:  # noqa: PLR2004
        raise UsageError("--purpose: expected a text of 1 to 200 characters, on one line")
    asked = Asked(
        when,
        Shares(half_hours=half_hours, soc=soc, plug_in_times=plug_in_times),
        Consent(purpose=purpose, readers=recipients, until=until.isoformat()),
    )
    with ledger_of(house) as ledger:
        extract = make_extract(file, house, ledger, asked, now=now, made_by=version("lullwatt"))
    signer, is_new = signer_beside(house.file.ledger.path)
    target = output or Path(
        f"{readable_topic_level(house.file.household.name)}-{extract.month}.extract"
    )
    _write(target, seal(dump_exact(values_of(extract)).encode("ascii"), signer, recipients))
    for line in _told(extract, target, fingerprint(signer.public), is_new=is_new):
        say(line)
    if today <= month_days(*when)[1]:
        say("The month is not over: share it again then, and it takes this one's place.")


def _write(path: Path, content: bytes) -> None:

    try:
        with replacing(path) as part:
            part.file.write(content)
    except OSError as error:
        raise UsageError(f"--output: {path}: can't be written: {error.strerror}") from error


def _told(extract: Extract, path: Path, fingerprint: str, *, is_new: bool) -> Iterator[str]:
    """Say what was shared, what was not, and what the household has to do."""
    home, consent = extract.household["household"]["name"], extract.consent
    nights = len({each.night for each in extract.nights})
    yield f"{path}: {home}, {extract.month}, {counted(nights, 'night')}"
    more = [words for key, words in CHOSEN.items() if getattr(extract.shares, key)]
    less = [words for key, words in CHOSEN.items() if not getattr(extract.shares, key)]
    yield (
        "It holds: nights with energy, cost and bands; how often each alert came; tariffs, charge"
        f" points and vehicles{''.join(f'; {each}' for each in more)}."
    )
    if less:
        yield f"It does not hold: {', '.join(less)}."
    yield (
        f"To be used for: {consent.purpose}; until {consent.until}, after which your adviser's"
        " Lullwatt reads it no more."
    )
    if consent.readers:
        yield f"Only the key of {', '.join(consent.readers)} can open it."
    else:
        yield "It is not encrypted: whoever gets the file can read it. --to RECIPIENT encrypts it."
    if is_new:
        yield "This home's signing key was made now, beside the ledger."
    yield (
        f"The fingerprint of this home's key, for your adviser to type once: {fingerprint};"
        " tell it by telephone or in person, never with the file."
    )
    yield "Nothing was sent: give the file to your adviser yourself."
