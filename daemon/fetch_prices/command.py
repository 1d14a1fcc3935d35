"""The command `lullwatt fetch-prices`: fetch tomorrow's prices, where the file says how."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from threading import Event
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import click

from adapters.clocks.clock import SystemClock
from adapters.feeds.client import ask
from config.files.errors import FetchError, TariffError, UsageError
from config.household.loading import load_household
from daemon.fetch_prices.days import days_before, today_and_tomorrow
from daemon.fetch_prices.fetching import Fetching
from daemon.fetch_prices.files import prices_text
from daemon.fetch_prices.judging import Task
from daemon.fetching.last_time import alone
from daemon.presentation.options import AT_OPTION, FILE
from daemon.presentation.output import say, write_output
from planners.rates.in_force import TariffsInForce

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime

    from config.household.household_file import HouseholdFile
    from config.tariffs.tariff import Tariff
    from daemon.fetch_prices.days import FeedDay

_NOTHING_TO_FETCH = (
    "expected a key fetch under the prices of a tariff; config/HOUSEHOLD.md shows how to write it"
)


@click.command("fetch-prices")
@FILE
@click.option("--dry-run", is_flag=True, help="Print the prices that it would write; write none.")
@click.option("--again", is_flag=True, help="Ask even for days whose prices are known.")
@AT_OPTION
def fetch_prices(file: Path, at: datetime | None, *, dry_run: bool, again: bool) -> None:
    """Fetch tomorrow's prices, and today's if they are missing, into the price file of the tariff.

    The key fetch of the household file says where they are and how to read them. A timer runs this
    each afternoon; nothing is asked once tomorrow is known. Prices that are not published yet are
    no error. An answer that is wrong or implausible changes nothing: exit code 5.
    """  # noqa: DOC501 - this text is the command's help
    household = load_household(file)
    runs = list(_runs(household, at or SystemClock().now(), writes=not dry_run))
    if not any(tariff.series and tariff.series.fetch for tariff in household.tariffs):
        raise UsageError(f"{file}: {_NOTHING_TO_FETCH}")
    if not runs:
        say("No tariff of today or tomorrow fetches its prices; nothing was asked.")
    for run in runs:
        with alone(run.file):
            run.run(again=again)
        if dry_run and run.news:
            write_output(prices_text(sorted(run.news), run.zone))
    failures = [run.failure for run in runs if run.failure]
    if failures:
        raise FetchError("\n".join(failures))


def _runs(household: HouseholdFile, now: datetime, *, writes: bool) -> Iterator[Fetching]:
    """Make a run for each tariff that fetches prices of today or tomorrow."""
    for tariff in household.tariffs:
        prices = tariff.series
        if prices is None or prices.fetch is None or prices.file is None:
            continue
        zone = ZoneInfo(prices.fetch.timezone or household.household.timezone)
        today, tomorrow = today_and_tomorrow(now, zone)
        days = tuple(day for day in (today, tomorrow) if _is_in_force(household, tariff, day))
        if days:
            [part] = [each for each in tariff.plain_components if each.tariff.prices == prices]
            week = tuple(
                day for day in days_before(today, 7) if _is_in_force(household, tariff, day)
            )
            task = Task(part, prices, household.household.currency, days, week, today, now)
            asks = partial(ask, wait=Event().wait)
            yield Fetching(task, prices.fetch, prices.file, household.zone, asks, say, writes)


def _is_in_force(household: HouseholdFile, tariff: Tariff, day: FeedDay) -> bool:
    """Tell whether a tariff is in force on a day of the market, by the household's calendar."""
    home = household.home_tariffs
    own = (household.tariffs_at(name) for name in household.charge_points)
    tariffs = next(each for each in (home, *own) if tariff in each)
    dates = [each.valid_from for each in tariffs]
    try:
        place = TariffsInForce.of(household.zone, dates).place_on(day.date)
    except TariffError:
        return False
    return tariffs[place] is tariff
