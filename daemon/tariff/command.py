"""The command `lullwatt tariff`."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from adapters.clocks.clock import SystemClock
from config.files.errors import UsageError
from daemon.presentation.options import (
    refuse_without_meter,
)
from daemon.presentation.output import json_text, needs_extra, rich_text, say, write_output
from daemon.service.house_loading import load_house
from daemon.tariff.days import days_of, unknown_in
from daemon.tariff.rows import document, tariff_csv
from daemon.tariff.show_tariff import show_tariff
from planners.local_time.conversion import local_date
from planners.plan.plan import instant_text

if TYPE_CHECKING:
    from collections.abc import Sequence
    from types import ModuleType

    from daemon.control.state import House
    from daemon.tariff.days import Day


def tariff(  # noqa: PLR0917 - click passes them by name
    file: Path,
    first: date | None,
    count: int,
    form: str | None,
    picture: Path | None,
    charge_point: str | None,
    *,
    as_json: bool,
) -> None:
    """Print the rates of some days."""
    if as_json and form:
        raise UsageError(f"expected either --json or --format {form}, got both")
    house = load_house(file)
    if charge_point is not None:
        refuse_without_meter(house.prices.own, charge_point)
        house = replace(house, prices=house.prices.at(charge_point))
    first = first or local_date(SystemClock().now(), house.file.zone)
    days = days_of(house.file, house.prices, first, count)
    if picture is not None:
        _pictures().draw_tariff(picture, house.file, days)
    if as_json:
        _print_tariff_json(house, days)
    elif form:
        _print_rows(house, days)
    else:
        _print_tariff(house, days)


def _pictures() -> ModuleType:
    """Import the module that draws; its extra may not be installed."""
    with needs_extra("--picture"):
        from daemon.tariff import picture  # noqa: PLC0415
    return picture


def _print_tariff(house: House, days: Sequence[Day]) -> None:
    write_output(rich_text(show_tariff(house.file, house.prices, days)))


def _print_tariff_json(house: House, days: Sequence[Day]) -> None:
    write_output(json_text(document(house.file, house.prices, days)))


def _print_rows(house: House, days: Sequence[Day]) -> None:
    for gap in unknown_in(days):
        start, end = instant_text(gap.start), instant_text(gap.end)
        say(f"not known from {start} to {end}: {gap.why}", err=True)
    write_output(tariff_csv(days, house.file.zone))
