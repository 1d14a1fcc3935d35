"""`lullwatt month` over many homes: one broken, twice the same, two currencies, no prices."""

from __future__ import annotations

import csv
import io
import json
import sqlite3
from collections.abc import Callable
from datetime import datetime
from decimal import Decimal
from pathlib import Path
from shutil import copytree

import pytest

from daemon.desk.homes import months_until
from tests.daemon.month.recorded import hour, recorded
from tests.support.commands import Ran

Run = Callable[..., Ran]
NAME = "name: Kowhai Cottage"


def charged(*nights: int, wh: int = 7200, month: int = 10) -> dict[datetime, int]:
    """Charge in the first hour of some days."""
    return {at: part for day in nights for at, part in hour(day, 1, wh, month).items()}


def home(folder: Path, name: str, wh: int = 7200) -> Path:
    """Record ten nights of October under the demo household, by another name."""
    folder.mkdir(exist_ok=True)
    return recorded(folder, "kowhai", charged(2, 3, wh=wh), changes=[(NAME, f"name: {name}")])


@pytest.fixture(scope="module")
def homes(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Record three homes once: two of one name, and one in euros."""
    folder = tmp_path_factory.mktemp("homes")
    home(folder / "a", "Kowhai Cottage")
    home(folder / "b", "Rata House", wh=14400)
    home(folder / "c", "Rata House", wh=3600)
    return folder


def rows_of(ran: Ran, code: int = 0) -> list[dict[str, str]]:
    assert (ran.code, ran.err) == (code, "")
    return list(csv.DictReader(io.StringIO(ran.out)))


def files_of(folder: Path, *names: str) -> list[str]:
    return [str(folder / name / "house.yaml") for name in names]


def test_homes_have_rows_and_totals_are_rounded_once(homes: Path, run: Run) -> None:
    """Text, CSV and JSON agree; two homes of one name both count, and name each other."""
    files = files_of(homes, "a", "b", "c")
    *rows, total = rows_of(run("month", *files, "2026-10", "--format", "csv"))
    assert [row["household"] for row in rows] == ["Kowhai Cottage", "Rata House", "Rata House"]
    assert [row["energy_kwh"] for row in rows] == ["14.400", "28.800", "7.200"]
    assert Decimal(total["cost_exact"]) == sum(Decimal(row["cost_exact"]) for row in rows)
    assert files[2] in rows[1]["remark"]
    assert files[1] in rows[2]["remark"]
    assert rows[0]["tariff"] == "Three-band"
    document = json.loads(run("month", *files, "2026-10", "--format", "json").out)
    assert document["totals"][0]["cost"] == float(total["cost"])
    text = run("month", *files, "2026-10").out
    assert text.startswith("3 homes, October 2026")
    assert total["cost"] in text


def test_a_home_that_can_not_be_read_is_a_row_with_its_reason(
    homes: Path, tmp_path: Path, run: Run
) -> None:
    """Not there, no YAML, no ledger, damaged, of a newer schema: the others go on."""
    bad = {name: copytree(homes / "a", tmp_path / name) for name in ("text", "none", "junk", "new")}
    (bad["text"] / "house.yaml").write_text("household: [", "utf-8")
    (bad["none"] / "ledger.sqlite3").unlink()
    (bad["junk"] / "ledger.sqlite3").write_bytes(b"no ledger at all" * 99)
    with sqlite3.connect(bad["new"] / "ledger.sqlite3") as ledger:
        ledger.execute("PRAGMA user_version = 999")
    files = [*files_of(homes, "b"), *files_of(tmp_path, *bad), str(tmp_path / "lost.yaml")]
    rows = rows_of(run("month", *files, "2026-10", "--format", "csv"), code=3)
    reasons = {Path(row["file"]).parent.name: row["fault"] for row in rows[1:-1]}
    assert "house.yaml:1:" in reasons["text"]
    assert "there is no ledger yet" in reasons["none"]
    assert "ledger.sqlite3" in reasons["junk"]
    assert "newer Lullwatt" in reasons["new"]
    assert all(row["fault"] and not row["energy_kwh"] for row in rows[1:-1])
    assert (rows[0]["fault"], rows[-1]["energy_kwh"]) == ("", "28.800")
    text = run("month", *files, "2026-10")
    assert (text.code, text.out.count("not read")) == (3, 5)
    unwrapped = "".join(text.out.split())
    assert f"{files[1]}:1:" in unwrapped
    assert f"{files[1]}:{files[1]}" not in unwrapped  # the reason begins with the file
    assert "there is no ledger yet" in text.out
    alone = run("month", *files[1:], "2026-10")
    assert (alone.code, alone.out) == (2, "")
    assert "newer Lullwatt" in alone.err


def test_nothing_counts_twice(homes: Path, tmp_path: Path, run: Run) -> None:
    """The same file, by another path, its ledger under another name, and a copy of the home."""
    (a,) = files_of(homes, "a")
    link = tmp_path / "link.yaml"
    link.symlink_to(a)
    other = tmp_path / "other.yaml"
    ledger = homes / "a" / "ledger.sqlite3"
    text = Path(a).read_text("utf-8").replace("path: ledger.sqlite3", f"path: {ledger}")
    other.write_text(text.replace(NAME, "name: Another"), "utf-8")
    copy = copytree(homes / "a", tmp_path / "copy") / "house.yaml"
    files = [a, a, str(link), str(other), str(copy)]
    rows = rows_of(run("month", *files, "2026-10", "--format", "csv"), code=3)
    assert [row["fault"] for row in rows] == [
        "",
        f"the same file as {a}: counted once, there",
        f"the same file as {a}: counted once, there",
        f"the same ledger as {a}: counted once, there",
        f"the same home as {a} (same name, same nights): counted once, there",
        "",
    ]
    assert rows[-1]["energy_kwh"] == "14.400"


def test_nights_need_no_price_file(tmp_path: Path, run: Run) -> None:
    """They are priced in the ledger; a line says that the file is missing."""
    tmp_path.joinpath("p").mkdir()
    file = recorded(tmp_path / "p", "day-ahead", charged(2, 3))
    with_prices = json.loads(run("month", str(file), "2026-10", "--format", "json").out)
    for prices in file.parent.glob("*.csv"):
        prices.unlink()
    row, _total = rows_of(run("month", str(file), "2026-10", "--sort", "cost", "--format", "csv"))
    assert float(row["cost"]) == with_prices["cost"]
    assert "priced in the ledger" in row["remark"]
    for command in (("month", str(file), "2026-10"), ("nights", str(file))):
        alone = run(*command)
        assert alone.code == 0
        assert "nights are priced in the ledger" in alone.err
        assert row["cost"] in alone.out or command[0] == "nights"


def test_homes_are_sorted_and_chosen(homes: Path, tmp_path: Path, run: Run) -> None:
    """The most first; a choice keeps what can't be read; totals are of what is shown."""
    files = [*files_of(homes, "a", "b", "c"), str(tmp_path / "lost.yaml")]

    def energies(*options: str) -> list[str]:
        rows = rows_of(run("month", *files, "2026-10", "--format", "csv", *options), code=3)
        return [row["energy_kwh"] for row in rows]

    assert energies("--sort", "energy") == ["28.800", "14.400", "7.200", "", "50.400"]
    assert energies("--sort", "name")[0] == "14.400"
    assert energies("--only", "short") == [""]
    assert energies("--only", "failed") == [""]
    text = run("month", *files, "2026-10", "--only", "short").out
    assert text.startswith("1 of 4 homes")
    ran = run("month", files[0], "2026-10", "--only", "short", "--format", "html")
    assert ran.code == 2


def test_year_to_date_and_twelve_months(tmp_path: Path, run: Run) -> None:
    """Months add up; a trend has a row for each home and month, and for each currency."""
    tmp_path.joinpath("y").mkdir()
    nights = charged(2, wh=7200, month=1) | charged(3, wh=3600, month=2)
    file = recorded(
        tmp_path / "y",
        "kowhai",
        nights,
        nights=40,
        changes=[("valid_from: 2026-04-01", "valid_from: 2025-01-01")],
    )
    so_far = rows_of(run("month", str(file), "2026-02", "--year-to-date", "--format", "csv"))
    assert (so_far[0]["energy_kwh"], so_far[0]["month"]) == ("10.800", "2026-01 to 2026-02")
    trend = rows_of(run("month", str(file), "2026-02", "--trend", "--format", "csv"))
    assert len(trend) == 24
    assert [row["energy_kwh"] for row in trend[10:12]] == ["7.200", "3.600"]
    document = json.loads(run("month", str(file), "2026-02", "--trend", "--format", "json").out)
    assert [len(each) for each in (document["homes"][0]["trend"], document["trend"])] == [12, 12]
    assert "Twelve months, kWh" in run("month", str(file), "2026-02", "--trend").out
    empty = rows_of(run("month", str(file), "2026-06", "--sort", "name", "--format", "csv"))
    assert empty[0]["remark"] == "no night was recorded in this month"


def test_currencies_are_totalled_apart(homes: Path, tmp_path: Path, run: Run) -> None:
    """A home whose nights are in another currency than its file is a row with its reason."""
    tmp_path.joinpath("e").mkdir()
    euro = recorded(
        tmp_path / "e", "kowhai", charged(2), changes=[("currency: NZD", "currency: EUR")]
    )
    changed = copytree(homes / "b", tmp_path / "x") / "house.yaml"
    text = changed.read_text("utf-8").replace("currency: NZD", "currency: EUR")
    changed.write_text(text, "utf-8")
    files = [*files_of(homes, "a"), str(euro), str(changed)]
    rows = rows_of(run("month", *files, "2026-10", "--format", "csv"), code=3)
    assert [row["currency"] for row in rows] == ["NZD", "EUR", "", "NZD", "EUR"]
    assert "two currencies" in rows[2]["fault"]


def test_months_before_january_are_of_the_year_before() -> None:
    """Twelve months end with the one named."""
    months = months_until((2026, 2), 12)
    assert (months[0], months[-1], len(months)) == ((2025, 3), (2026, 2), 12)
