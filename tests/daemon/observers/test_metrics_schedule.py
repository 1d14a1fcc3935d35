"""When figures are told: not too often, not too seldom, and counted on the way."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from adapters.metrics.families import Family
from adapters.metrics.file import MetricsFile
from adapters.metrics.page import page
from adapters.metrics.server import MetricsServer
from config.household.metrics import Metrics
from daemon.control.events import Action, Note, Warn
from daemon.control.state import PointState
from daemon.observers.metrics_schedule import MetricsSchedule, teller_of
from daemon.observers.turn import Turn
from tests.daemon.worlds import EVENING, POINT, kowhai
from tests.support.open_metrics import figures

TURN = Turn(
    EVENING, kowhai(), connected=True, records=True, states={POINT: PointState(POINT)}
)  # fmt: skip
SECOND = timedelta(seconds=1)


class Told:
    """Keeps the pages it is told."""

    def __init__(self) -> None:
        self.pages: list[str] = []

    def start(self) -> None:
        pass

    def stop(self) -> None:
        pass

    def tell(self, families: Iterable[Family]) -> None:
        self.pages.append(page(families).decode())


@pytest.fixture
def told() -> Told:
    return Told()


@pytest.fixture
def rounds(told: Told) -> MetricsSchedule:
    return MetricsSchedule(told)


def test_the_first_turn_is_told(rounds: MetricsSchedule, told: Told) -> None:
    """At once, with the rate of now: at 18:30 that of the peak, NZD 0.412 and 15 % of tax."""
    rounds.after(TURN)
    [text] = told.pages
    [(labels, rate)] = figures(text)["lullwatt_rate_per_kilowatt_hour"].items()
    assert labels == {("currency", "NZD")}
    assert rate == pytest.approx(0.412 * 1.15)


def test_news_is_told_every_15_seconds_at_the_most(rounds: MetricsSchedule, told: Told) -> None:
    """News of each second, for a minute: 0, 15, 30, 45 and 60 s."""
    for second in range(61):
        state = PointState(POINT, watts=float(second))
        turn = replace(TURN, now=EVENING + second * SECOND, connected=second % 2 == 0)
        rounds.after(replace(turn, states={POINT: state}))
    assert len(told.pages) == 5


def test_no_news_is_told_each_minute(rounds: MetricsSchedule, told: Told) -> None:
    """So that who reads it can tell old figures from a daemon that is dead."""
    for second in range(0, 301, 5):
        rounds.after(replace(TURN, now=EVENING + second * SECOND))
    times = [
        next(iter(figures(text)["lullwatt_told_timestamp_seconds"].values())) for text in told.pages
    ]
    assert times == [(EVENING + minute * 60 * SECOND).timestamp() for minute in range(6)]


def test_a_clock_that_is_put_back_delays_nothing(rounds: MetricsSchedule, told: Told) -> None:
    """An hour back, and the figures are told at once."""
    rounds.after(TURN)
    rounds.after(replace(TURN, now=EVENING - timedelta(hours=1)))
    assert len(told.pages) == 2


def test_alerts_and_nights_are_counted_between(rounds: MetricsSchedule, told: Told) -> None:
    """Those of turns that were not told, too; nights begin at 0."""
    rounds.after(TURN)
    labels = frozenset({("charge_point", POINT)})
    assert figures(told.pages[0])["lullwatt_nights_recorded_total"] == {labels: 0.0}
    actions: list[tuple[str, Action]] = [
        (POINT, Warn("no-power", "No power.")),
        (POINT, Note("said", {})),
    ]
    for second in range(1, 16):
        nights = [{"charge_point": POINT}] if second == 7 else []
        rounds.after(replace(TURN, now=EVENING + second * SECOND, actions=actions, nights=nights))
    assert figures(told.pages[-1])["lullwatt_nights_recorded_total"] == {labels: 1.0}
    [count] = figures(told.pages[-1])["lullwatt_alerts_total"].values()
    assert count == 15


def test_rates_that_are_not_known_are_left_out(rounds: MetricsSchedule, told: Told) -> None:
    """Before the first tariff there is none, and the rest is told all the same."""
    rounds.after(replace(TURN, now=EVENING - timedelta(days=20 * 365)))
    assert "lullwatt_rate_per_kilowatt_hour" not in figures(told.pages[0])
    assert "lullwatt_bus_connected" in figures(told.pages[0])


def test_what_the_file_asks_for_is_made(tmp_path: Path) -> None:
    """A file's teller, or a server."""
    path = tmp_path / "figures.prom"
    assert isinstance(teller_of(Metrics(file=path)), MetricsFile)
    assert isinstance(teller_of(Metrics(listen="127.0.0.1:9464")), MetricsServer)
