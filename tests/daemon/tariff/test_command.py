"""`lullwatt tariff` and `--picture`: their output, their files, their exit codes."""

from __future__ import annotations

import csv
import io
import json
import subprocess
import sys
from datetime import datetime
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from tests.support.commands import COLUMNS
from tests.support.waiting import patience

if TYPE_CHECKING:
    from collections.abc import Callable

    from tests.support.commands import Ran

EXAMPLES = Path(__file__).parents[3] / "config" / "examples"
KOWHAI = EXAMPLES / "kowhai.yaml"
DAY_AHEAD = EXAMPLES / "day-ahead.yaml"
WEEK = (str(KOWHAI), "--from", "2026-09-25", "--days", "4")
EVENING = (str(KOWHAI), "--soc", "35", "--at", "2026-06-03T18:30:00+12:00")
TOO_EARLY = "the first tariff is valid from 2026-04-01"
MORE = "(lullwatt tariff --help says more)"


def test_the_week_is_printed_within_the_terminal(run: Callable[..., Ran]) -> None:
    """The household first, a strip a day, at 80 columns and without styles."""
    ran = run("tariff", *WEEK)
    assert (ran.code, ran.err) == (0, "")
    assert ran.out.startswith("Kowhai Cottage: Fri 25 Sep 2026 to Mon 28 Sep 2026")
    assert "            23 hours: the clock goes forward at 02:00\n" in ran.out
    assert max(map(len, ran.out.splitlines())) <= COLUMNS
    assert "\x1b" not in ran.out


def test_a_week_from_today_is_the_default(
    run: Callable[..., Ran], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Today by the household's clock, whatever the date elsewhere; and seven days."""
    evening = datetime.fromisoformat("2026-06-02T12:30:00+00:00")
    monkeypatch.setattr("adapters.clocks.clock.SystemClock.now", lambda _clock: evening)
    document = json.loads(run("tariff", str(KOWHAI), "--json").out)
    assert (document["from"], document["days"]) == ("2026-06-03", 7)


def test_rows_are_csv_and_nothing_else(run: Callable[..., Ran]) -> None:
    """Rows with CRLF that add up to 95 hours, at the rates of the file with tax."""
    ran = run("tariff", *WEEK, "--format", "csv")
    assert (ran.code, ran.err) == (0, "")
    rows = list(csv.DictReader(io.StringIO(ran.out, newline="")))
    assert ran.out.count("\r\n") == ran.out.count("\n") == len(rows) + 1
    assert {(row["band"], Decimal(row["rate"])) for row in rows} == {
        ("night", Decimal("0.1932")),
        ("peak", Decimal("0.4738")),
        ("day", Decimal("0.35075")),
    }
    lengths = [
        datetime.fromisoformat(row["end_utc"]) - datetime.fromisoformat(row["start_utc"])
        for row in rows
    ]
    assert sum(length.total_seconds() for length in lengths) == 95 * 3600


def test_json_is_one_document_and_nothing_else(run: Callable[..., Ran]) -> None:
    """What a script reads, with the same rates as the rows."""
    ran = run("tariff", *WEEK, "--json")
    assert (ran.code, ran.err) == (0, "")
    document, end = json.JSONDecoder().raw_decode(ran.out)
    assert ran.out[end:] == "\n"
    assert (document["household"], document["currency"]) == ("Kowhai Cottage", "NZD")
    assert {rate["rate"] for rate in document["rates"]} == {0.1932, 0.35075, 0.4738}
    assert document["standing_charges"] == [
        {"from": "2026-09-25", "to": "2026-09-28", "per_day": 2.185}
    ]


def test_known_rates_are_shown_and_gaps_reported(run: Callable[..., Ran]) -> None:
    """Exit 0; beside CSV, gaps go to standard error; text and JSON contain them."""
    week = (str(KOWHAI), "--from", "2026-03-31", "--days", "2")
    rows = run("tariff", *week, "--format", "csv")
    gap = f"not known from 2026-03-30T11:00:00Z to 2026-03-31T11:00:00Z: {TOO_EARLY}\n"
    assert (rows.code, rows.err) == (0, gap)
    assert rows.out.count("\n") > 1
    text = run("tariff", *week)
    assert (text.code, text.err) == (0, "")
    assert "? not known from" in text.out
    document = run("tariff", *week, "--json")
    assert (document.code, document.err) == (0, "")
    assert [it["why"] for it in json.loads(document.out)["not_known"]] == [TOO_EARLY]


def test_rates_before_the_first_price_are_marked(run: Callable[..., Ran]) -> None:
    """They are estimated from the days after it."""
    text = run("tariff", str(DAY_AHEAD), "--from", "2026-09-29", "--days", "2")
    assert (text.code, text.err) == (0, "")
    assert "estimated, from low to high." in text.out


BAD_USAGE = [
    (["--from", "soon"], "--from: expected a date such as 2026-06-03, got 'soon'"),
    (["--from", "2026-6-3"], "--from: expected a date such as 2026-06-03, got '2026-6-3'"),
    (["--from", "1926-06-03"], "--from: expected a date such as 2026-06-03, got '1926-06-03'"),
    (
        ["--from", "2026-02-30"],
        "--from: no such date: day is out of range for month, got '2026-02-30'",
    ),
    (
        ["--days", "0"],
        f"lullwatt tariff: Invalid value for '--days': 0 is not in the range 1<=x<=366. {MORE}",
    ),
    (
        ["--days", "367"],
        f"lullwatt tariff: Invalid value for '--days': 367 is not in the range 1<=x<=366. {MORE}",
    ),
    (
        ["--format", "xml"],
        f"lullwatt tariff: Invalid value for '--format': 'xml' is not 'csv'. {MORE}",
    ),
    (["--json", "--format", "csv"], "expected either --json or --format csv, got both"),
    (["--picture", "a.pdf"], "--picture: expected a name that ends in .svg or .png, got 'a.pdf'"),
    (["--picture", "svg"], "--picture: expected a name that ends in .svg or .png, got 'svg'"),
    (["--days", "20", "--picture", "a.svg"], "--picture: expected --days 1 to 14, got 20"),
    (
        ["--picture", "nowhere/a.svg"],
        "--picture: can't write 'nowhere/a.svg': No such file or directory",
    ),
    (
        ["--from", "2026-03-01"],
        f"no rates are known from 2026-03-01 to 2026-03-07: {TOO_EARLY}",
    ),
]


@pytest.mark.parametrize(("arguments", "message"), BAD_USAGE)
def test_bad_usage_is_refused_in_one_line(
    run: Callable[..., Ran], arguments: list[str], message: str
) -> None:
    """What was expected and what was given; exit 2, nothing printed, nothing written."""
    ran = run("tariff", str(KOWHAI), "--from", "2026-06-03", *arguments)
    assert (ran.code, ran.out, ran.err) == (2, "", message + "\n")
    assert list(Path().iterdir()) == []


def test_a_folder_that_is_not_writable_is_refused(run: Callable[..., Ran]) -> None:
    """In one line, with the reason; not even root makes files in /sys."""
    ran = run("tariff", *WEEK, "--picture", "/sys/a.svg")
    assert (ran.code, ran.out) == (2, "")
    front = "--picture: can't write '/sys/a.svg': "
    reasons = ("Permission denied", "Operation not permitted", "Read-only file system")
    assert ran.err in [f"{front}{reason}\n" for reason in reasons]


@pytest.mark.parametrize("name", ["out.svg", "out.png"])
@pytest.mark.parametrize("command", [("tariff", *WEEK), ("plan", *EVENING)], ids=["tariff", "plan"])
def test_a_picture_is_drawn_besides_printing(
    run: Callable[..., Ran], command: tuple[str, ...], name: str
) -> None:
    """Standard output is as without it, and there is one file of the right kind."""
    without = run(*command)
    ran = run(*command, "--picture", name)
    assert ran == without
    (path,) = Path().iterdir()
    start = b"<?xml" if name.endswith("svg") else b"\x89PNG"
    assert path.name == name
    assert path.read_bytes().startswith(start)


def test_several_nights_are_in_one_picture(run: Callable[..., Ran]) -> None:
    """Up to the last planned departure, with the returns in between."""
    ran = run("plan", *EVENING, "--nights", "2", "--json", "--picture", "nights.svg")
    assert (ran.code, ran.err) == (0, "")
    text = Path("nights.svg").read_text("utf-8")
    assert text.count("departs 07:20</text>") == 2
    assert text.count("back 18:10</text>") == 1


def test_without_the_extra_it_says_what_to_install(
    run: Callable[..., Ran], monkeypatch: pytest.MonkeyPatch
) -> None:
    """One line and exit 2 if matplotlib is missing; without `--picture` all works."""
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    monkeypatch.delitem(sys.modules, "daemon.tariff.picture", raising=False)
    monkeypatch.delattr("daemon.tariff.picture", raising=False)
    for command in (("tariff", *WEEK), ("plan", *EVENING)):
        ran = run(*command, "--picture", "out.svg")
        assert (ran.code, ran.out) == (2, "")
        assert ran.err == (
            "--picture: needs the package matplotlib, which is not installed;"
            " install Lullwatt with its extra pictures: pip install '.[pictures]'\n"
        )
        assert run(*command).code == 0


def test_help_and_a_plan_load_nothing_that_draws() -> None:
    """`lullwatt --help` loads neither matplotlib nor rich, and a plan no matplotlib."""
    heavy = "{'matplotlib', 'rich', 'PIL'}"
    code = f"import daemon.command_line.cli, sys; print(*{heavy} & set(sys.modules))"
    ran = subprocess.run(
        [sys.executable, "-c", code],
        check=True,
        capture_output=True,
        text=True,
        timeout=patience(60),
    )
    assert ran.stdout.split() == []
    code = (
        "import sys; from daemon.command_line import cli\n"
        f"sys.argv = ['lullwatt', 'plan', *{EVENING!r}]\n"
        "try: cli.main()\n"
        "finally: print('matplotlib' in sys.modules, file=sys.stderr)"
    )
    ran = subprocess.run(
        [sys.executable, "-c", code],
        check=True,
        capture_output=True,
        text=True,
        timeout=patience(60),
    )
    assert ran.stderr.split() == ["False"]


def test_the_rates_of_a_meter_of_a_charge_points_own(run: Callable[..., Ran]) -> None:
    """The home's are printed unless it is named; the text says how, and when its circuit is on."""
    file, own = str(EXAMPLES / "controlled-circuit.yaml"), ("--charge-point", "driveway")
    home = " ".join(run("tariff", file, "--days", "1").out.split())
    assert "driveway has a meter of its own, at Controlled circuit: see --charge-point" in home
    text = run("tariff", file, "--days", "1", *own).out
    assert "The circuit of driveway has power only 22:00 to 07:00 every day by" in text
    assert "One rate" not in text
    rows = run("tariff", file, "--days", "1", "--format", "csv", *own).out.splitlines()
    assert [row.split(",")[3:6] for row in rows[1:]] == [
        ["Controlled circuit", "controlled", "0.1738"]
    ]
    document = json.loads(run("tariff", file, "--days", "1", "--json", *own).out)
    assert document["charge_points"] == ["driveway"]
    assert document["standing_charges"][0]["per_day"] == pytest.approx(0.132)
    refused = run("tariff", file, "--charge-point", "carport")
    assert refused.code == 2
    assert "expected one with a meter of its own (driveway), got 'carport'" in refused.err


def test_json_holds_the_charge_for_the_highest_power(run: Callable[..., Ran]) -> None:
    """By hand: NOK 120 and 320 with 25 % of tax are 150 and 400."""
    ran = run("tariff", str(EXAMPLES / "highest-hours.yaml"), "--json", "--days", "1")
    (charge,) = json.loads(ran.out)["capacity_charges"]
    assert (charge["per"], charge["interval_minutes"], charge["highest_days"]) == ("month", 60, 3)
    assert charge["rate_per_kw"] is None
    assert charge["steps"][0] == {"up_to_kw": 2.0, "charge": 150.0}
    assert charge["steps"][2] == {"up_to_kw": 10.0, "charge": 400.0}
    assert [step["up_to_kw"] for step in charge["steps"]][-1] is None
