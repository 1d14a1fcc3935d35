"""The command line as people and scripts see it: output and exit codes."""

from __future__ import annotations

import json
import math
import os
import subprocess
import sys
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING

import jsonschema
import pytest

from config.schema import household_schema
from daemon.command_line import cli
from planners.home.together import gap_sentence
from tests.support.commands import COLUMNS
from tests.support.waiting import patience

if TYPE_CHECKING:
    from collections.abc import Callable

    from tests.support.commands import Ran

EXAMPLES = Path(__file__).parents[3] / "config" / "examples"
KOWHAI = (EXAMPLES / "kowhai.yaml").read_text(encoding="utf-8")
DAY_AHEAD = (EXAMPLES / "day-ahead.yaml").read_text(encoding="utf-8")
LULLWATT = Path(sys.executable).with_name("lullwatt")
EVENING = ["--at", "2026-06-03T18:30:00+12:00"]
AT_EXPECTED = "--at: expected an instant such as 2026-06-03T07:30:00Z, with its offset"
MORE = "(lullwatt plan --help says more)"


def started(*arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
    """Run the installed command in its own process."""
    return subprocess.run(
        [LULLWATT, *arguments],
        capture_output=True, encoding=environment.get("PYTHONIOENCODING", "utf-8"), check=False,
        timeout=patience(60), env=os.environ | environment, errors="replace",
    )  # fmt: skip


def house(folder: Path, text: str = KOWHAI) -> str:
    """Write a household file and return its name in that folder."""
    (folder / "house.yaml").write_text(text, encoding="utf-8")
    return "house.yaml"


def replaced(text: str, old: str, new: str) -> str:
    assert text.count(old) == 1, old
    return text.replace(old, new)


# --- the installed command --------------------------------------------------------------------


def test_the_installed_command_says_its_version() -> None:
    """`lullwatt --version` is the version that was installed."""
    ran = started("--version")
    assert (ran.returncode, ran.stderr) == (0, "")
    assert ran.stdout == f"lullwatt, version {version('lullwatt')}\n"


def test_the_installed_command_plans_the_night_of_the_design(tmp_path: Path) -> None:
    """Design, section 8: 26.0 kWh, 5.02, exit 0, nothing on standard error."""
    (tmp_path / "house.yaml").write_text(KOWHAI, encoding="utf-8")
    ran = started("plan", str(tmp_path / "house.yaml"), "--soc", "35", *EVENING, "--json")
    assert (ran.returncode, ran.stderr) == (0, "")
    plan = json.loads(ran.stdout)
    assert (plan["energy_kwh"], round(plan["cost"], 2)) == (26.0, 5.02)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["house.yaml"]


@pytest.mark.parametrize(
    "arguments", [["schema", "household"], ["plan", "house.yaml", *EVENING], ["--help"]]
)
def test_a_closed_pipe_is_no_failure(tmp_path: Path, arguments: list[str]) -> None:
    """A pipe that nobody reads ends the command silently, with exit 0."""
    (tmp_path / "house.yaml").write_text(KOWHAI, encoding="utf-8")
    reading, writing = os.pipe()
    os.close(reading)
    try:
        ran = subprocess.run(
            [LULLWATT, *arguments],
            stdout=writing, stderr=subprocess.PIPE, text=True, check=False, timeout=patience(60),
            cwd=tmp_path,
        )  # fmt: skip
    finally:
        os.close(writing)
    assert (ran.returncode, ran.stderr) == (0, "")


@pytest.mark.parametrize("encoding", ["ascii", "latin-1"])
def test_a_terminal_without_our_characters_still_gets_a_plan(tmp_path: Path, encoding: str) -> None:
    """Characters that an output can't show are replaced; the figures are all there."""
    (tmp_path / "house.yaml").write_text(KOWHAI, encoding="utf-8")
    ran = started("plan", str(tmp_path / "house.yaml"), *EVENING, PYTHONIOENCODING=encoding)
    assert (ran.returncode, ran.stderr) == (0, "")
    assert "23.11 kWh at the meter for NZD 4.47, 1 start." in ran.stdout


# --- help -------------------------------------------------------------------------------------


@pytest.mark.parametrize("flag", ["-h", "--help"])
@pytest.mark.parametrize(
    "command",
    [
        *([], ["check"], ["plan"], ["run"], ["rehearse"], ["tariff"]),
        *(["schema"], ["schema", "household"]),
    ],
    ids=" ".join,
)
def test_every_command_has_help(run: Callable[..., Ran], command: list[str], flag: str) -> None:
    """On standard output, exit 0, and it shows how to call the command."""
    ran = run(*command, flag)
    assert (ran.code, ran.err) == (0, "")
    assert ran.out.startswith(f"Usage: {' '.join(['lullwatt', *command])} ")
    assert max(map(len, ran.out.splitlines())) <= COLUMNS


def test_without_a_command_the_help_is_shown(run: Callable[..., Ran]) -> None:
    """On standard error with exit 2, because no command was given."""
    ran = run()
    assert (ran.code, ran.out) == (2, "")
    assert ran.err.startswith("Usage: lullwatt ")


# --- several vehicles -------------------------------------------------------------------------

TWO_CARS = (EXAMPLES / "two-cars.yaml").read_text(encoding="utf-8")


def test_several_vehicles_are_planned_together(run: Callable[..., Ran], tmp_path: Path) -> None:
    """Both needs are met, for less than the hatchback alone pays with its fixed share."""
    socs = ["--soc", "hatchback=5", "--soc", "van=50"]
    ran = run("plan", house(tmp_path, TWO_CARS), *socs, *EVENING, "--json")
    assert ran.code == 0
    found = json.loads(ran.out)
    assert [plan["vehicle"] for plan in found["plans"]] == ["hatchback", "van"]
    assert [plan["shortfall_kwh"] for plan in found["plans"]] == [0.0, 0.0]
    assert found["gap_percent"] <= 1.0
    alone = run("plan", "house.yaml", "--vehicle", "hatchback", "--soc", "5", *EVENING, "--json")
    assert json.loads(alone.out)["cost"] > found["plans"][0]["cost"] + 0.05


def test_the_strips_of_several_vehicles_stand_one_below_the_other(
    run: Callable[..., Ran], tmp_path: Path
) -> None:
    """Hours, rates, a line for each vehicle, what is left under the fuse, and the gap."""
    ran = run("plan", house(tmp_path, TWO_CARS), *EVENING)
    lines = ran.out.splitlines()
    assert [line.split()[0] for line in lines[1:5]] == ["rate", "hatchback", "van", "left"]
    assert len({len(line.rstrip()) for line in lines[1:5]}) == 1
    assert "left under the main fuse: " in lines[6]
    assert "Together " in ran.out
    assert "proven to be the cheapest." in ran.out


def test_only_the_vehicles_that_are_named_are_planned(
    run: Callable[..., Ran], tmp_path: Path
) -> None:
    """One that is away leaves the other all of the fuse."""
    ran = run("plan", house(tmp_path, TWO_CARS), "--soc", "hatchback=5", *EVENING, "--json")
    (plan,) = json.loads(ran.out)["plans"]
    assert max(period["amps"] for period in plan["periods"]) == 32.0


@pytest.mark.parametrize(
    ("gap_share", "is_short", "expected"),
    [
        (math.inf, False, "not proven to be the cheapest."),
        (0.0, False, "proven to be the cheapest."),
        (0.00312, False, "proven within 0.31 % of the cheapest."),
        (0.02, True, "proven within 2 % of the cheapest of what reaches as much."),
    ],
)
def test_the_gap_is_said_plainly(gap_share: float, expected: str, *, is_short: bool) -> None:
    """How much cheaper any other plan could be, if that is known."""
    assert gap_sentence(gap_share, is_short=is_short) == expected


SHARED = replaced(TWO_CARS, "charge_point: carport", "charge_point: driveway")


@pytest.mark.parametrize(
    ("text", "options", "expected"),
    [
        (TWO_CARS, ["--soc", "35"], "--soc: expected a vehicle for each, such as --soc"),
        (TWO_CARS, ["--soc", "bus=35"], "--soc: expected one of hatchback, van, got 'bus'"),
        (TWO_CARS, ["--soc", "van=350"], "--soc: expected 0 to 100 percent, got '350'"),
        (TWO_CARS, ["--soc", "van=3", "--soc", "van=4"], "--soc: expected each vehicle once"),
        (TWO_CARS, ["--vehicle", "van", "--soc", "hatchback=4"], "--soc: expected one of van, got"),
        (TWO_CARS, ["--picture", "plan.svg"], "--picture: expected --vehicle beside it"),
        (SHARED, [], "--soc: expected one vehicle at driveway, got hatchback and van"),
        (
            replaced(TWO_CARS, "    arrives_with_percent: 50\n", ""),
            [],
            "--soc: expected --soc van=PERCENT: van has no arrives_with_percent",
        ),
    ],
)  # fmt: skip
def test_it_is_asked_which_vehicles_are_there(
    run: Callable[..., Ran], tmp_path: Path, text: str, options: list[str], expected: str
) -> None:
    """One line that says what is expected."""
    (line,) = refused(run, "plan", house(tmp_path, text), *options, *EVENING)
    assert line.startswith(expected)


# --- bad input --------------------------------------------------------------------------------


def refused(run: Callable[..., Ran], *arguments: str) -> list[str]:
    """Lines on standard error of a command that must be refused and leave no trace."""
    before = {path: path.stat().st_mtime_ns for path in Path().rglob("*")}
    ran = run(*arguments)
    assert ran.code == 2
    assert ran.out == ""
    assert "Traceback" not in ran.err
    assert {path: path.stat().st_mtime_ns for path in Path().rglob("*")} == before
    return ran.err.splitlines()


SLOW = """
household: {name: Cape Spear, timezone: America/St_Johns, currency: CAD, nominal_volts: 120}
tariffs: [{name: Flat, bands: [{name: all, rate: 0.10}]}]
charge_points: {outlet: {charging_mode: 2, max_amps: 10, switching: on_off}}
vehicles: {car: {charge_point: outlet, usable_kwh: 38, chemistry: lfp}}
departures:
  - {vehicle: car, date: 2026-06-04, at: "07:23", need_percent: 20, uses_kwh: 5, returns: "18:04"}
  - {vehicle: car, date: 2026-06-05, at: "08:31", need_percent: 95}
bus: {broker: embedded}
ledger: {path: ledger.sqlite3}
"""


@pytest.mark.parametrize(("nights", "code"), [("1", 0), ("2", 3)])
def test_a_need_out_of_reach_ends_with_three_on_a_later_night_too(
    run: Callable[..., Ran], tmp_path: Path, nights: str, code: int
) -> None:
    """The first need is met; 95 % on the next day is not, with two nights at 1.2 kW."""
    options = ["--soc", "20", "--at", "2026-06-03T20:00:00-02:30", "--nights", nights]
    assert run("plan", house(tmp_path, SLOW), *options).code == code


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--soc", "140"], "--soc: expected 0 to 100 percent, got '140'"),
        (["--soc", "-1"], "--soc: expected 0 to 100 percent, got '-1'"),
        (["--soc", "nan"], "--soc: expected 0 to 100 percent, got 'nan'"),
        (["--soc", "half"], "--soc: expected 0 to 100 percent, got 'half'"),
        (
            ["--at", "2026-06-03T18:30:00"],
            f"{AT_EXPECTED}, got '2026-06-03T18:30:00'",
        ),
        (
            ["--at", "tonight"],
            f"{AT_EXPECTED}, got 'tonight'",
        ),
        (
            ["--at", "2026-02-30T18:30:00Z"],
            "--at: no such instant: day is out of range for month, got '2026-02-30T18:30:00Z'",
        ),
        (["--vehicle", "van"], "--vehicle: expected one of hatchback, got 'van'"),
        (
            ["--at", "2026-03-01T18:30:00+13:00"],
            "no tariff is in force on 2026-03-01: the first is valid from 2026-04-01",
        ),
        (
            ["--margin", "35"],
            f"lullwatt plan: No such option '--margin'. {MORE}",
        ),
        (
            ["second.yaml"],
            f"lullwatt plan: Got unexpected extra argument (second.yaml) {MORE}",
        ),
    ],
)  # fmt: skip
def test_a_bad_option_is_refused_in_one_line(
    run: Callable[..., Ran], tmp_path: Path, arguments: list[str], message: str
) -> None:
    """What was expected and what was given; exit 2, nothing printed, nothing written."""
    assert refused(run, "plan", house(tmp_path), *arguments) == [message]


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["plan"], "lullwatt plan: Missing argument 'FILE'. (lullwatt plan --help says more)"),
        (
            ["plam"],
            "lullwatt: No such command 'plam'. Did you mean 'plan'? (lullwatt --help says more)",
        ),
    ],
)
def test_a_bad_command_is_refused_in_one_line(
    run: Callable[..., Ran], arguments: list[str], message: str
) -> None:
    """The nearest command is suggested."""
    assert refused(run, *arguments) == [message]


@pytest.mark.parametrize("command", ["plan", "check", "run", "rehearse", "tariff"])
@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("missing.yaml", "missing.yaml:1:1: expected a household file, got no such file"),
        ("folder", "folder:1:1: expected a household file, got a directory"),
    ],
)
def test_a_file_that_is_not_there_is_refused(
    run: Callable[..., Ran], tmp_path: Path, command: str, name: str, message: str
) -> None:
    """By every command that reads one, and `run` leaves no ledger behind."""
    (tmp_path / "folder").mkdir()
    assert refused(run, command, name) == [message]


@pytest.mark.parametrize("command", ["plan", "check", "run", "rehearse", "tariff"])
@pytest.mark.parametrize(
    ("old", "new", "place", "words"),
    [
        ("  name: Kowhai", "  name: [Kowhai", "house.yaml:", "expected"),
        ("  nominal_volts: 230", "  nominal_vols: 230", "house.yaml:8:3: ", "nominal_volts"),
        ("Pacific/Auckland", "Pacific/Auckand", "house.yaml:6:13: ", "Pacific/Auckland"),
        ("    valid_from: 2026-04-01", "    valid_from: soon", "house.yaml:20:17: ", "soon"),
        ("currency: NZD", "currency: NZDollar", "house.yaml:7:13: ", "NZDollar"),
    ],
)
def test_a_bad_household_file_is_refused_with_its_place(  # noqa: PLR0917 - one fault
    run: Callable[..., Ran],
    tmp_path: Path,
    command: str,
    old: str,
    new: str,
    place: str,
    words: str,
) -> None:
    """File, line and column, what was expected; the nearest key or zone is suggested."""
    (line,) = refused(run, command, house(tmp_path, replaced(KOWHAI, old, new)))
    assert line.startswith(place)
    assert words in line


def test_all_faults_of_a_file_are_reported_at_once(run: Callable[..., Ran], tmp_path: Path) -> None:
    """Three faults, three lines, in the order of the file."""
    text = replaced(KOWHAI, "Pacific/Auckland", "Pacific/Nowhere")
    text = replaced(text, "usable_kwh: 52", "usable_kwh: many")
    text = replaced(text, "switching: current", "switching: sometimes")
    lines = refused(run, "check", house(tmp_path, text))
    assert len(lines) == 3
    places = [int(line.split(":")[1]) for line in lines]
    assert places == sorted(places)


def test_a_missing_price_file_is_refused(run: Callable[..., Ran], tmp_path: Path) -> None:
    """The message names the price file, not the household file."""
    (line,) = refused(run, "plan", house(tmp_path, DAY_AHEAD))
    assert line.startswith("prices.csv:1:1: expected a price series")
    assert "no such file" in line


def test_bad_rows_of_a_price_file_are_refused_each_with_its_line(
    run: Callable[..., Ran], tmp_path: Path
) -> None:
    """A naive time and a price that is no number: two lines with their places."""
    (tmp_path / "prices.csv").write_text(
        "start,rate\n2026-06-03T00:00:00Z,0.10\n2026-06-03T00:30:00,0.10\n"
        "2026-06-03T01:00:00Z,cheap\n",
        encoding="utf-8",
    )
    lines = refused(run, "plan", house(tmp_path, DAY_AHEAD))
    assert [line.split(":")[:2] for line in lines] == [["prices.csv", "3"], ["prices.csv", "4"]]
    assert "cheap" in lines[1]


def test_a_vehicle_without_departures_is_refused(run: Callable[..., Ran], tmp_path: Path) -> None:
    """There is nothing to plan for, and the message says for whom and from when."""
    start = KOWHAI.index("departures:\n") + len("departures:\n")
    end = KOWHAI.index("\n\nbus:")
    row = '  - {vehicle: hatchback, date: 2026-05-01, at: "05:30", need_percent: 90}'
    name = house(tmp_path, KOWHAI[:start] + row + KOWHAI[end:])
    assert refused(run, "plan", name, *EVENING) == [
        "house.yaml: departures: hatchback has none within a year of 2026-06-03T06:30:00+00:00"
    ]


def test_an_unknown_state_of_charge_is_asked_for(run: Callable[..., Ran], tmp_path: Path) -> None:
    """Without `--soc` and `arrives_with_percent` no number is invented."""
    text = replaced(KOWHAI, "    arrives_with_percent: 40 ", "    # arrives_with_percent: 40 ")
    (line,) = refused(run, "plan", house(tmp_path, text), *EVENING)
    assert line.startswith("--soc: expected the state of charge in percent: hatchback has no")


def test_a_fault_of_ours_is_one_line_too(
    run: Callable[..., Ran], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A programming error says that it is ours, with exit 1."""

    def break_down(*_arguments: object) -> None:
        raise ZeroDivisionError("by nothing")

    monkeypatch.setattr("planners.plan.planning.solve", break_down)
    ran = run("plan", house(tmp_path), *EVENING)
    assert (ran.code, ran.out) == (1, "")
    assert ran.err == (
        "a fault in Lullwatt itself: ZeroDivisionError: by nothing"
        " (set LULLWATT_TRACEBACK=1 to see where)\n"
    )
    monkeypatch.setenv("LULLWATT_TRACEBACK", "1")
    monkeypatch.setattr(sys, "argv", ["lullwatt", "plan", "house.yaml", *EVENING])
    with pytest.raises(ZeroDivisionError):
        cli.main()


# --- plans ------------------------------------------------------------------------------------


def test_a_need_out_of_reach_is_exit_3_and_still_a_plan(
    run: Callable[..., Ran], tmp_path: Path
) -> None:
    """The plan is printed in full, in words and in JSON."""
    late = ["--at", "2026-06-04T05:00:00+12:00", "--soc", "10"]
    words = run("plan", house(tmp_path), *late)
    assert (words.code, words.err) == (3, "")
    assert "60 % can't be reached in time" in words.out
    document = run("plan", "house.yaml", *late, "--json")
    assert (document.code, document.err) == (3, "")
    plan = json.loads(document.out)
    assert plan["shortfall_kwh"] > 0
    assert plan["amps_that_would_do"] is None, "the vehicle takes 32 A at most"
    assert plan["periods"][0]["start"] == "2026-06-03T17:00:00Z"


def test_json_is_one_document_and_nothing_else(run: Callable[..., Ran], tmp_path: Path) -> None:
    """A script reads the plan alone, also if the plan rests on estimates."""
    (tmp_path / "prices.csv").write_bytes((EXAMPLES / "prices.csv").read_bytes())
    at = ["--at", "2026-10-05T19:00:00+13:00"]
    ran = run("plan", house(tmp_path, DAY_AHEAD), *at, "--json")
    assert (ran.code, ran.err) == (0, "")
    plan, end = json.JSONDecoder().raw_decode(ran.out)
    assert ran.out[end:] == "\n"
    assert plan["vehicle"] == "hatchback"
    assert plan["rests_on_estimates"] is any(p.get("estimated", False) for p in plan["periods"])


def test_the_schema_holds_for_the_example(run: Callable[..., Ran]) -> None:
    """`schema household` prints the schema itself, which is valid, as one document."""
    ran = run("schema", "household")
    assert (ran.code, ran.err) == (0, "")
    document = json.loads(ran.out)
    assert document == household_schema()
    jsonschema.Draft202012Validator.check_schema(document)


def test_a_plan_in_words_is_no_wider_than_the_terminal(
    run: Callable[..., Ran], tmp_path: Path
) -> None:
    """80 columns, and no styles if the output is no terminal."""
    ran = run("plan", house(tmp_path), *EVENING, "--soc", "35")
    assert (ran.code, ran.err) == (0, "")
    assert max(map(len, ran.out.splitlines())) <= COLUMNS
    assert "\x1b" not in ran.out
    assert ran.out.startswith("hatchback on driveway: 35 % now, 80 % by Thu 04 Jun 07:20\n")


def test_check_explains_a_good_file(run: Callable[..., Ran], tmp_path: Path) -> None:
    """Exit 0, the household's name first, cautions last, and no ledger is made."""
    ran = run("check", house(tmp_path))
    assert (ran.code, ran.err) == (0, "")
    assert ran.out.startswith("Kowhai Cottage: Pacific/Auckland (time zone data 2")
    assert "Cautions:" in ran.out
    assert [path.name for path in tmp_path.iterdir()] == ["house.yaml"]
