"""`lullwatt appraise --homes`: the same choices for homes of different tariffs and records."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable
from datetime import date, datetime, timedelta
from pathlib import Path
from shutil import copytree

import pytest

from config.choices.loading import load_choices
from daemon.appraise.reading import appraise_series
from tests.daemon.desk.test_months import NAME
from tests.daemon.month.recorded import hour, recorded
from tests.support.commands import Ran

Run = Callable[..., Ran]
ONE_RATE = """tariffs:
  - name: One rate
    standing_charge: 1.80
    tax_percent: 15
    bands:
      - {name: all day, rate: 0.288}
"""
CHEAP_NIGHT = """tariffs:
  - name: Cheap night
    standing_charge: 1.80
    tax_percent: 15
    bands:
      - {name: night, rate: 0.132, hours: ["00:00-06:00"]}
      - {name: day, rate: 0.358}
"""
CHOICES = """
appraisal:
  {{name: Desk, year: 2027, timezone: Europe/Berlin, currency: NZD, keep_years: 8}}
vehicle: {{usable_kwh: 20}}
driving:
  {driving}
  leaves: "07:20"
  returns: "18:10"
choices:
  - name: Flat
    tariff:
      name: One rate
      standing_charge: 1.80
      tax_percent: 15
      bands: [{{name: all day, rate: 0.288}}]
    charge_point: {{charging_mode: 2, max_amps: 10, switching: on_off}}
    need_percent: 60
  - name: Night
    tariff:
      name: Cheap night
      standing_charge: 1.80
      tax_percent: 15
      bands:
        - {{name: night, rate: 0.132, hours: ["00:00-06:00"]}}
        - {{name: day, rate: 0.358}}
    charge_point: {{charging_mode: 3, max_amps: 32, switching: current}}
    need_percent: 60
    outlay: 400
"""
NIGHTS = 28


def home(folder: Path, name: str, tariff: str, wh: int) -> Path:
    """Record four weeks, the same energy every night."""
    folder.mkdir()
    nights: dict[datetime, int] = {}
    for day in range(2, NIGHTS + 2):
        nights |= hour(day, 1, wh)
    changes = [(NAME, f"name: {name}"), ("tick_minutes: 5 ", "tick_minutes: 30 ")]
    return recorded(folder, "kowhai", nights, NIGHTS, tariff, changes=changes)


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Record a home on the wrong tariff and one on the right one, and write the choices."""
    folder = tmp_path_factory.mktemp("desk")
    home(folder / "flat", "Rata House", ONE_RATE, 7200)
    home(folder / "night", "Kowhai Cottage", CHEAP_NIGHT, 3600)
    choices = CHOICES.format(driving="distance_per_year: 9000 km")
    choices = choices.replace("usable_kwh: 20", "usable_kwh: 20, kwh_per_100km: 16")
    (folder / "choices.yaml").write_text(choices, "utf-8")
    return folder


def rows_of(ran: Ran, code: int = 0) -> list[dict[str, str]]:
    assert (ran.code, ran.err) == (code, "")
    return list(csv.DictReader(io.StringIO(ran.out)))


def test_the_homes_on_the_wrong_tariff_are_named_with_what_it_costs_them(
    desk: Path, run: Run
) -> None:
    """By hand: all of it at 0.132 instead of 0.288, with 15 % of tax, each night of the year."""
    files = [str(desk / name / "house.yaml") for name in ("night", "flat")]
    asked = ("appraise", str(desk / "choices.yaml"), "--homes", *files, "--tariffs-only")
    wrong, right = rows_of(run(*asked, "--format", "csv"))
    assert (wrong["household"], wrong["tariff_now"]) == ("Rata House", "One rate")
    assert (wrong["cheapest"], wrong["wrong_tariff"]) == ("Cheap night", "true")
    by_hand = 365 * 7.2 * (0.288 - 0.132) * 1.15
    assert float(wrong["saves_per_year"]) == pytest.approx(by_hand, rel=0.005)
    assert (right["wrong_tariff"], float(right["saves_per_year"])) == ("false", 0)
    assert right["nights_recorded"] == f"{NIGHTS}"
    document = json.loads(run(*asked, "--json").out)
    assert document["totals"] == [
        {
            "currency": "NZD",
            "homes": 2,
            "wrong_tariff": 1,
            "saves_per_year": float(wrong["saves_per_year"]),
        }
    ]
    assert [each["name"] for each in document["homes"][0]["choices"]] == [
        "as it is now",
        "One rate",
        "Cheap night",
    ]
    text = run(*asked, "--only", "wrong-tariff").out
    assert text.startswith("1 of 2 homes would pay less on another tariff: NZD 4")
    assert "Kowhai Cottage" not in text


def test_a_month_of_homes_goes_by_what_another_tariff_is_worth(desk: Path, run: Run) -> None:
    """The same figures as an appraisal; without choices that can't be asked."""
    files = [str(desk / name / "house.yaml") for name in ("night", "flat")]
    choices = ("--choices", str(desk / "choices.yaml"))
    asked = ("month", *files, "2026-10", "--sort", "worth", "--format", "csv")
    first, second, total = rows_of(run(*asked, *choices))
    assert (first["household"], first["best_tariff"]) == ("Rata House", "Cheap night")
    assert float(first["saves_per_year"]) == pytest.approx(365 * 7.2 * 0.156 * 1.15, rel=0.005)
    assert (float(second["saves_per_year"]), total["saves_per_year"]) == (0, "")
    wrong = run("month", *files, "2026-10", "--only", "wrong-tariff", *choices).out
    assert wrong.startswith("1 of 2 homes")
    assert "Cheap night saves NZD 4" in " ".join(wrong.split())
    ran = run(*asked)
    assert (ran.code, ran.out) == (2, "")


def test_a_home_gets_the_figures_that_it_would_get_alone(desk: Path, run: Run) -> None:
    """As in a choices file of its own, with its vehicle, its ledger, and its clock."""
    file = desk / "flat" / "house.yaml"
    asked = ("appraise", str(desk / "choices.yaml"), str(file), "--homes", "--json")
    [row] = json.loads(run(*asked).out)["homes"]
    ledger = desk / "flat" / "ledger.sqlite3"
    text = CHOICES.format(driving=f"ledger: {{path: {ledger}, vehicle: hatchback}}")
    own = (
        "vehicle: {usable_kwh: 52, chemistry: nmc, everyday_limit_percent: 80, max_amps: 32,"
        " taper: [[80, 100], [100, 25]], kwh_per_100km: 16.5}"
    )
    text = text.replace("vehicle: {usable_kwh: 20}", own)
    alone = desk / "alone.yaml"
    alone.write_text(text.replace("Europe/Berlin", "Pacific/Auckland"), "utf-8")
    used = {date(2026, 10, 1) + n * timedelta(days=1): 7200 for n in range(NIGHTS)}
    made = appraise_series(load_choices(alone), {}, used)
    assert [each["year_cost"] for each in row["choices"][1:]] == pytest.approx(
        [each.year_cost for each in made.choices], abs=0.01
    )
    assert row["outlay"] in {0, 400}


def test_two_workers_write_what_one_writes_and_a_home_that_takes_too_long_is_stopped(
    desk: Path, tmp_path: Path, run: Run
) -> None:
    """To the byte, with a home given twice and a lost one; none is read in a millisecond."""
    flat, night = (desk / name / "house.yaml" for name in ("flat", "night"))
    files = [str(each) for each in (flat, tmp_path / "lost.yaml", night, flat)]
    asked = ("appraise", str(desk / "choices.yaml"), *files, "--homes", "--tariffs-only", "--json")
    one, two = (run(*asked, "--workers", count) for count in ("1", "2"))
    assert one.code == 3
    assert one == two
    ran = run("month", str(flat), str(night), "2026-10", "--workers", "2", "--limit", "0.00001")
    assert (ran.code, ran.out) == (2, "")
    assert ran.err.count("it took more than 1e-05 minutes, and was stopped") == 2


def test_a_home_that_can_not_be_appraised_is_a_row_with_its_reason(
    desk: Path, tmp_path: Path, run: Run
) -> None:
    """No file, another currency, a short record, the same twice: the others go on."""
    flat = desk / "flat" / "house.yaml"
    euro = copytree(desk / "night", tmp_path / "euro") / "house.yaml"
    text = euro.read_text("utf-8").replace("currency: NZD", "currency: EUR")
    euro.write_text(text, "utf-8")
    short = recorded(
        _made(tmp_path / "short"), "kowhai", hour(2, 1, 7200), 10, changes=[(NAME, "name: Short")]
    )
    files = [str(each) for each in (tmp_path / "lost.yaml", euro, short, flat, flat)]
    asked = ("appraise", str(desk / "choices.yaml"), "--homes", *files, "--format", "csv")
    rows = rows_of(run(*asked), code=3)
    reasons = {row["file"]: row["fault"] for row in rows[1:4]}
    assert rows[0]["household"] == "Rata House"
    assert "lost.yaml" in reasons[files[0]]
    assert "two currencies" in reasons[files[1]]
    assert "at least 28 days" in reasons[files[2]]
    assert rows[4]["fault"] == f"the same file as {flat}: counted once, there"
    nothing = run(*asked[:3], files[0])
    assert (nothing.code, nothing.out) == (2, "")


def test_prices_that_are_not_known_in_that_year_are_said_so(
    desk: Path, tmp_path: Path, run: Run
) -> None:
    """A price series of October says little of a whole year."""
    nights = {at: wh for day in range(2, 30) for at, wh in hour(day, 1, 7200).items()}
    file = recorded(
        _made(tmp_path / "series"),
        "day-ahead",
        nights,
        NIGHTS,
        changes=[("currency: NZD", "currency: NZD\n  tick_minutes: 60")],
    )
    asked = ("appraise", str(desk / "choices.yaml"), "--homes", str(file), "--format", "csv")
    [row] = rows_of(run(*asked))
    assert row["tariff_now"] == "Day-ahead"
    assert row["remark"] == "100 % of the energy of “as it is now” is at estimated rates"


def _made(folder: Path) -> Path:
    folder.mkdir()
    return folder


@pytest.mark.parametrize(
    ("options", "reason"),
    [
        (("house.yaml",), "expected --homes beside it"),
        (("--tariffs-only",), "expected --homes beside it"),
        (("--homes",), "expected household files after the choices file"),
        (("--homes", "house.yaml", "--format", "html"), "expected text, csv, json or xlsx"),
    ],
)
def test_options_that_do_not_go_together_are_refused(
    desk: Path, run: Run, options: tuple[str, ...], reason: str
) -> None:
    """In one line."""
    ran = run("appraise", str(desk / "choices.yaml"), *options)
    assert (ran.code, ran.out) == (2, "")
    assert reason in ran.err
