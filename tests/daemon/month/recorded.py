"""Record nights under an example, with energy in the quarter-hours that a test names."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from pathlib import Path
from shutil import copyfile
from typing import TYPE_CHECKING

from adapters.ledger.ledger import open_ledger
from daemon.nights.account import night_record
from daemon.nights.metered import NightMeters
from daemon.nights.recount import facts_unseen
from daemon.service.house_loading import load_house
from planners.accounts.register import RegisterReading
from planners.local_time.departures import night_bounds

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

EXAMPLES = Path(__file__).parents[3] / "config" / "examples"
DAY = timedelta(days=1)
QUARTER = timedelta(minutes=15)


def recorded(
    directory: Path,
    example: str,
    charged: Mapping[datetime, int],
    nights: int = 10,
    tariff: str | None = None,
    *,
    changes: Sequence[tuple[str, str]] = (),
) -> Path:
    """Record nights from the first of a month, with some Wh in the quarter-hours named."""
    file = directory / "house.yaml"
    text = (EXAMPLES / f"{example}.yaml").read_text("utf-8")
    if tariff is not None:
        before, after = text.index("tariffs:"), text.index("charge_points:")
        text = f"{text[:before]}{tariff}\n{text[after:]}"
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    file.write_text(text, "utf-8")
    for beside in EXAMPLES.glob("*.csv"):
        copyfile(beside, directory / beside.name)
    house = load_house(file)
    (point,), (vehicle,) = house.file.charge_points, house.file.vehicles
    days, first = house.file.days, min(start for start in charged).date().replace(day=1)
    begins, ends = (night_bounds(first + i * DAY, days)[0] for i in (0, nights))
    register, shown = 500_000, []
    at = begins
    while at <= ends:
        shown.append(RegisterReading(at, register))
        register += charged.get(at.astimezone(days.zone).replace(tzinfo=None), 0)
        at += QUARTER
    with open_ledger(directory / "ledger.sqlite3") as ledger:
        for reading in shown:
            ledger.add_reading(point, reading.at, reading.register_wh)
        for place in range(nights):
            facts = facts_unseen(first + place * DAY, point, vehicle, house.file)
            meters = NightMeters(shown, {point: shown})
            body = night_record(house, facts, meters)
            ledger.close_night(facts.night, point, vehicle, facts.closed_at, body)
    return file


def local(year: int, month: int, day: int, at: int) -> datetime:
    """Return what the household's clock shows."""
    return datetime.combine(date(year, month, day), time(at))


def hour(day: int, at: int, wh: int, month: int = 10, year: int = 2026) -> dict[datetime, int]:
    """Charge evenly through an hour of the local clock."""
    start = local(year, month, day, at)
    return {start + number * QUARTER: wh // 4 for number in range(4)}
