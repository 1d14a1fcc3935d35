"""When figures are published: not too often, not too seldom, and with all counts."""

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
from config.doors.metrics import Metrics
from daemon.control.events import Action, Note, Warn
from daemon.control.state import PointState
from daemon.observers.metrics_output import metrics_output_of
from daemon.observers.metrics_schedule import MetricsSchedule
from daemon.observers.turn import Turn
from tests.daemon.worlds import EVENING, POINT, kowhai
from tests.support.open_metrics import figures

TURN = Turn(
    EVENING, kowhai(), connected=True, records=True, states={POINT: PointState(POINT)}
)  # fmt: skip
SECOND = timedelta(seconds=1)


class PageRecorder:
    """Records the pages that are published."""

    def __init__(self) -> None:
        self.pages: list[str] = []

    def start(self) -> None:
        pass

    def stop(self) -> None:
        pass

    def update(self, families: Iterable[Family]) -> None:
        self.pages.append(page(families).decode())


@pytest.fixture
def published() -> PageRecorder:
    return PageRecorder()


@pytest.fixture
def schedule(published: PageRecorder) -> MetricsSchedule:
    return MetricsSchedule(published)


def test_the_first_turn_is_published(schedule: MetricsSchedule, published: PageRecorder) -> None:
    """At once, with the rate of now: at 18:30 that of the peak, NZD 0.412 and 15 % of tax."""
    schedule.after(TURN)
    [text] = published.pages
    [(labels, rate)] = figures(text)["lullwatt_rate_per_kilowatt_hour"].items()
    assert labels == {("currency", "NZD")}
    assert rate == pytest.approx(0.412 * 1.15)


def test_news_is_published_every_15_seconds_at_the_most(
    schedule: MetricsSchedule, published: PageRecorder
) -> None:
    """News each second for a minute: at 0, 15, 30, 45 and 60 s."""
    for second in range(61):
        state = PointState(POINT, watts=float(second))
        turn = replace(TURN, now=EVENING + second * SECOND, connected=second % 2 == 0)
        schedule.after(replace(turn, states={POINT: state}))
    assert len(published.pages) == 5


def test_figures_without_news_are_published_each_minute(
    schedule: MetricsSchedule, published: PageRecorder
) -> None:
    """So that a reader can tell old figures from a dead daemon."""
    for second in range(0, 301, 5):
        schedule.after(replace(TURN, now=EVENING + second * SECOND))
    times = [
        next(iter(figures(text)["lullwatt_told_timestamp_seconds"].values()))
        for text in published.pages
    ]
    assert times == [(EVENING + minute * 60 * SECOND).timestamp() for minute in range(6)]


def test_a_clock_that_is_put_back_delays_nothing(
    schedule: MetricsSchedule, published: PageRecorder
) -> None:
    """The clock goes back an hour, and the figures are published at once."""
    schedule.after(TURN)
    schedule.after(replace(TURN, now=EVENING - timedelta(hours=1)))
    assert len(published.pages) == 2


def test_alerts_and_nights_are_counted_between(
    schedule: MetricsSchedule, published: PageRecorder
) -> None:
    """Those of turns that were not published count, too; nights begin at 0."""
    schedule.after(TURN)
    labels = frozenset({("charge_point", POINT)})
    assert figures(published.pages[0])["lullwatt_nights_recorded_total"] == {labels: 0.0}
    actions: list[tuple[str, Action]] = [
        (POINT, Warn("no-power", "No power.")),
        (POINT, Note("planned", {})),
    ]
    for second in range(1, 16):
        nights = [{"charge_point": POINT}] if second == 7 else []
        schedule.after(replace(TURN, now=EVENING + second * SECOND, actions=actions, nights=nights))
    assert figures(published.pages[-1])["lullwatt_nights_recorded_total"] == {labels: 1.0}
    [count] = figures(published.pages[-1])["lullwatt_alerts_total"].values()
    assert count == 15


def test_rates_that_are_not_known_are_left_out(
    schedule: MetricsSchedule, published: PageRecorder
) -> None:
    """Before the first tariff there is none; the rest is published all the same."""
    schedule.after(replace(TURN, now=EVENING - timedelta(days=20 * 365)))
    assert "lullwatt_rate_per_kilowatt_hour" not in figures(published.pages[0])
    assert "lullwatt_bus_connected" in figures(published.pages[0])


def test_what_the_file_asks_for_is_made(tmp_path: Path) -> None:
    """A file or a server."""
    path = tmp_path / "figures.prom"
    assert isinstance(metrics_output_of(Metrics(file=path)), MetricsFile)
    assert isinstance(metrics_output_of(Metrics(listen="127.0.0.1:9464")), MetricsServer)
