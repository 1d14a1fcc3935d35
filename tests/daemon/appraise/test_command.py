"""`lullwatt appraise`: what it reads, prints and refuses."""

from __future__ import annotations

import csv
import io
import json
import sys
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from adapters.ledger.ledger import open_ledger
from config.files.announcements import prices_in
from daemon.appraise.reading import read_choices
from tests.support.commands import Ran

Run = Callable[..., Ran]

CHOICES = """\
appraisal:
  name: Rata Flat
  year: 2026
  timezone: Pacific/Auckland
  currency: NZD
  tick_minutes: 30
  keep_years: 5
vehicle: {usable_kwh: 40, max_amps: 32, kwh_per_100km: 16}
driving:
  distance_per_year: 9000 km
  days: [tue, fri]
  leaves: "07:00"
  returns: "18:00"
choices:
  - name: Socket
    tariff: {name: Flat, bands: [{name: all day, rate: 0.30}]}
    charge_point: {charging_mode: 2, max_amps: 8, switching: on_off}
    need_percent: 70
  - name: "Point, cheap nights"
    tariff:
      name: Nights
      bands: [{name: night, rate: 0.12, hours: ["22:00-06:00"]}, {name: day, rate: 0.35}]
    charge_point: {charging_mode: 3, max_amps: 32, switching: on_off}
    need_percent: 70
    outlay: 600
"""
"""Invented; at the meter 9000 km x 0.16 kWh / 0.9 = 1600 kWh with the efficiency that is usual."""
SERIES = """\
    tariff: {name: Market, prices: {file: prices.csv, multiply: 0.001}}
"""
FLAT = "    tariff: {name: Flat, bands: [{name: all day, rate: 0.30}]}\n"
DISTANCE = "  distance_per_year: 9000 km\n  days: [tue, fri]\n"
RECORD = "  ledger: {path: ledger.sqlite3, vehicle: hatchback}\n"


def written(directory: Path, *changes: tuple[str, str]) -> Path:
    """Write the choices file, with parts of the text replaced."""
    text = CHOICES
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    path = directory / "choices.yaml"
    path.write_text(text, "utf-8")
    return path


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return written(tmp_path)


def recorded(path: Path, nights: dict[date, dict[str, float]], vehicle: str = "hatchback") -> None:
    """Record nights with the energy of each charge point [kWh]."""
    with open_ledger(path) as ledger:
        for night, points in nights.items():
            closed = datetime(night.year, night.month, night.day, 20, tzinfo=UTC)
            for point, kwh in points.items():
                body = {
                    "night": night.isoformat(),
                    "charge_point": point,
                    "vehicle": vehicle,
                    "energy_kwh": kwh,
                }
                ledger.close_night(night, point, vehicle, closed, body)


def test_the_answer_is_printed(file: Path, run: Run) -> None:
    """600 and 5 x 1600 x 0.12 against 5 x 1600 x 0.30: 840 less, in 80 columns."""
    ran = run("appraise", str(file))
    assert (ran.code, ran.err) == (0, "")
    assert ran.out.startswith("Cheapest over 5 years: Point, cheap nights: NZD 1,560, NZD 840 less")
    assert max(map(len, ran.out.splitlines())) <= 80


@pytest.mark.parametrize("options", [("--json",), ("--format", "json")])
def test_json_is_one_document(file: Path, run: Run, options: tuple[str, ...]) -> None:
    """On standard output, and nothing else there."""
    ran = run("appraise", str(file), *options)
    assert (ran.code, ran.err) == (0, "")
    document = json.loads(ran.out)
    assert document["cheapest"] == "Point, cheap nights"
    socket, point = document["choices"]
    assert socket["energy_kwh"] == pytest.approx(1600, rel=0.02)
    assert point["total_over_years"] == pytest.approx(600 + 5 * point["cost"], abs=0.01)


def test_csv_and_html_are_printed_as_asked(file: Path, run: Run) -> None:
    """A row for each choice; a page that names them."""
    rows = list(csv.DictReader(io.StringIO(run("appraise", str(file), "--format", "csv").out)))
    assert [row["name"] for row in rows] == ["Socket", "Point, cheap nights"]
    page = run("appraise", str(file), "--format", "html")
    assert (page.code, page.err) == (0, "")
    assert page.out.startswith("<!DOCTYPE html>")
    assert "<em>Point, cheap nights</em>" in page.out


def test_an_output_file_holds_what_would_be_printed(file: Path, run: Run, tmp_path: Path) -> None:
    """Byte for byte, and nothing is printed."""
    printed = run("appraise", str(file), "--format", "csv")
    ran = run("appraise", str(file), "--format", "csv", "--output", "a.csv")
    assert (ran.code, ran.out, ran.err) == (0, "", "")
    assert (tmp_path / "a.csv").read_bytes().decode() == printed.out


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (("--json", "--format", "csv"), "expected either --json or --format csv, got both"),
        (("--output", "no/such/x"), "--output: no/such/x: can't be"),
        (("--format", "yaml"), "--format"),
    ],
)
def test_bad_options_are_refused_in_one_line(
    file: Path, run: Run, options: tuple[str, ...], message: str
) -> None:
    """Exit 2, nothing on standard output."""
    ran = run("appraise", str(file), *options)
    assert (ran.code, ran.out) == (2, "")
    assert message in ran.err
    assert ran.err.count("\n") == 1


def test_a_page_without_the_extra_is_refused(
    file: Path, run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The extra is named; text and rows need none of it."""
    drawn = ("daemon.appraisal_page", "daemon.presentation.page")
    for name in [it for it in sys.modules if it.startswith(drawn)]:
        monkeypatch.delitem(sys.modules, name)
    for name in ("jinja2", "matplotlib"):
        monkeypatch.setitem(sys.modules, name, None)
    ran = run("appraise", str(file), "--format", "html")
    assert (ran.code, ran.out) == (2, "")
    assert "install Lullwatt with its extra pictures" in ran.err
    assert run("appraise", str(file), "--format", "csv").code == 0


def test_a_bad_file_is_refused_with_its_places(run: Run, tmp_path: Path) -> None:
    """All faults at once, exit 2."""
    bad = written(tmp_path, ("keep_years: 5", "keep_years: soon"), ("rate: 0.30", "rate: dear"))
    ran = run("appraise", str(bad))
    assert (ran.code, ran.out) == (2, "")
    assert len(ran.err.splitlines()) == 2
    assert all(line.startswith(f"{bad}:") for line in ran.err.splitlines())


def test_price_series_are_read_for_their_choice(tmp_path: Path) -> None:
    """By the name of the choice, from the folder of the choices file."""
    file = written(tmp_path, (FLAT, SERIES))
    (tmp_path / "prices.csv").write_text("start,rate\n2026-01-01T00:00:00+13:00,210\n")
    _, series, used = read_choices(file)
    assert {
        name: [float(it.rate) for it in prices_in(points)] for name, points in series.items()
    } == {"Socket": [210.0]}
    assert used is None


@pytest.mark.parametrize("text", [None, "start,rate\nsoon,1\n"])
def test_a_bad_price_series_is_named(tmp_path: Path, run: Run, text: str | None) -> None:
    """Also a missing one."""
    file = written(tmp_path, (FLAT, SERIES))
    if text is not None:
        (tmp_path / "prices.csv").write_text(text)
    ran = run("appraise", str(file))
    assert (ran.code, ran.out) == (2, "")
    assert ran.err.startswith(f"{tmp_path / 'prices.csv'}:")
    assert ran.err.count("\n") == 1


def test_prices_from_the_bus_are_refused(tmp_path: Path, run: Run) -> None:
    """There is no bus to receive them from."""
    ran = run("appraise", str(written(tmp_path, (FLAT, SERIES.replace("file: prices.csv, ", "")))))
    assert (ran.code, ran.out) == (2, "")
    assert "expected file" in ran.err


def test_the_ledger_is_added_up_over_charge_points(tmp_path: Path) -> None:
    """Watt-hours of one vehicle by night; nothing is written to the ledger."""
    file = written(tmp_path, (DISTANCE, RECORD))
    ledger = tmp_path / "ledger.sqlite3"
    night = date(2026, 3, 2)
    recorded(ledger, {night: {"driveway": 7.25, "garage": 1.5}})
    recorded(ledger, {night: {"lane": 50.0}}, vehicle="van")
    before = ledger.read_bytes()
    _, _, used = read_choices(file)
    assert used == {night: 8750}
    assert ledger.read_bytes() == before


def test_a_year_of_the_record_is_appraised(tmp_path: Path, run: Run) -> None:
    """35 nights of 5 kWh make 1825 kWh in a year that ends as it begins."""
    file = written(tmp_path, (DISTANCE, RECORD))
    first = date(2026, 3, 2)
    nights = {first + timedelta(days=n): {"driveway": 5.0} for n in range(35)}
    recorded(tmp_path / "ledger.sqlite3", nights)
    document = json.loads(run("appraise", str(file), "--json").out)
    assert document["trips"] == 365
    assert document["choices"][0]["energy_kwh"] == pytest.approx(1825, rel=0.01)


@pytest.mark.parametrize(
    ("nights", "vehicle", "message"),
    [
        (None, "", "there is no ledger yet"),
        (0, "", "expected nights in the ledger, got none"),
        (1, "van", "driving.ledger.vehicle: expected one of van, which are in the ledger, got"),
        (1, "hatchback", "at least 28 days"),
    ],
)
def test_a_useless_ledger_is_refused_in_one_line(
    tmp_path: Path, run: Run, nights: int | None, vehicle: str, message: str
) -> None:
    """Missing, empty, of another vehicle, or too short; no ledger is created."""
    file = written(tmp_path, (DISTANCE, RECORD))
    ledger = tmp_path / "ledger.sqlite3"
    if nights is not None:
        recorded(ledger, {day: {"driveway": 5.0} for day in [date(2026, 3, 2)][:nights]}, vehicle)
    ran = run("appraise", str(file))
    assert (ran.code, ran.out) == (2, "")
    assert message in ran.err
    assert ran.err.count("\n") == 1
    assert ledger.exists() == (nights is not None)


def test_draws_show_progress_only_on_a_terminal(
    tmp_path: Path, run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On standard error; the output is the same."""
    driving = ("leaves:", "spread_percent: 20\n  draws: 2\n  leaves:")
    file = written(tmp_path, driving)
    quiet = run("appraise", str(file), "--json")
    assert quiet.err == ""
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True)
    shown = run("appraise", str(file), "--json")
    assert "years drawn" in shown.err
    assert shown.out == quiet.out
    assert set(json.loads(shown.out)["choices"][0]["range"]) >= {"cost", "total_over_years"}
