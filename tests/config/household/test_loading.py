"""A good household file is read as it means; a bad one names all its faults and their places."""

from __future__ import annotations

from datetime import date, time
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from config.fields.value_types import Hours
from config.files.errors import FileError
from config.household.loading import load_household
from tests.config.cottage import COTTAGE, DATA, edited, faults_of, load_text
from tests.config.edited_files import bad_cases

BAD = bad_cases(DATA)


@pytest.mark.parametrize("bad", BAD, ids=lambda bad: bad["case"])
def test_faults_are_named(bad: dict[str, Any], tmp_path: Path) -> None:
    """Every fault, and nothing else, is named with line, column and what was expected."""
    path = tmp_path / "house.yaml"
    path.write_text(edited(bad["edits"]), encoding="utf-8")
    assert faults_of(path) == bad["faults"]


def test_enough_bad_files() -> None:
    """The table of bad files is long, and every case in it is a different one."""
    assert len({bad["case"] for bad in BAD}) == len(BAD) >= 60


@pytest.mark.parametrize(
    ("raw", "fault"),
    [
        (b"", "1:1: expected the keys {keys}; got an empty file"),
        (b"# only a remark\n", "1:1: expected the keys {keys}; got an empty file"),
        (b"---\n", "2:1: expected the keys {keys}; got nothing"),
        (b"\n- a\n- b\n", '2:1: expected the keys {keys}; got ["a", "b"]'),
        (b"lullwatt", '1:1: expected the keys {keys}; got "lullwatt"'),
        (b"name: caf\xe9\n", "1:10: expected UTF-8, got the byte 0xe9; save the file as UTF-8"),
        (
            "name: x".encode("utf-16"),
            "1:1: expected UTF-8, got the byte 0xff; save the file as UTF-8",
        ),
        (b"name: x\0\n", "1:8: expected a text file, got the character U+0000"),
        (b"# " + b"x" * 300_000, "1:1: expected a household file, got more than 256 KiB"),
        (b"%YAML 9.9\n---\na: 1\n", "1:1: not valid YAML: found incompatible YAML document {v}"),
    ],
)
def test_files_that_are_no_household(raw: bytes, fault: str, tmp_path: Path) -> None:
    """A file that holds no household at all has one fault."""
    path = tmp_path / "house.yaml"
    path.write_bytes(raw)
    keys = "household, tariffs, charge_points, vehicles, departures, bus, ledger"
    wanted = fault.format(keys=keys, v="(version 1.* is required)")
    assert faults_of(path) == [wanted]


def test_missing_file(tmp_path: Path) -> None:
    """A missing file is reported under the name that the user gave."""
    path = tmp_path / "nowhere.yaml"
    assert faults_of(path) == ["1:1: expected a household file, got no such file"]


def test_directory(tmp_path: Path) -> None:
    """A directory is no household file."""
    assert faults_of(tmp_path) == ["1:1: expected a household file, got a directory"]


def test_device() -> None:
    """A device, which might never end, is not read."""
    wanted = ["1:1: expected a household file, got something other than a file"]
    assert faults_of(Path("/dev/zero")) == wanted


@pytest.mark.parametrize("name", ["x\0y", "x" * 300])
def test_names_that_no_file_has(name: str) -> None:
    """A path that the system refuses is a fault like any other."""
    (fault,) = faults_of(Path(name))
    assert fault.startswith("1:1: expected a household file, got ")


def test_path_is_named_as_given(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Messages begin with the path that the user gave, not with a longer one."""
    monkeypatch.chdir(tmp_path)
    Path("house.yaml").write_text("a: [\n", encoding="utf-8")
    with pytest.raises(FileError, match=r"^house\.yaml:2:1: not valid YAML") as caught:
        load_household(Path("house.yaml"))
    assert caught.value.exit_code == 2


def test_all_faults_in_order(tmp_path: Path) -> None:
    """Faults of YAML, of values and of rules between parts are listed together, in file order."""
    edits = {
        "currency: NZD": "currency: &c NZD",
        "rate: 0.305}": "rate: x}",
        "min_amps: 6": "min_amps: 40",
        "{vehicle: hatchback, date": "{vehicle: coupe, date",
        "ledger: {path: ledger.sqlite3}": "ledger: {}",
    }
    path = tmp_path / "house.yaml"
    path.write_text(edited(edits), encoding="utf-8")
    places = [fault.split(": ")[0] for fault in faults_of(path)]
    assert places == ["4:13", "17:27", "25:15", "49:15", "54:9"]


def test_values_as_written(tmp_path: Path) -> None:
    """Every kind of value arrives as the file says it: decimals exactly, times, dates, hours."""
    file = load_text(tmp_path, edited({"at: 07:20": "at: 07:20, returns: 18:10"}))
    bands = file.tariffs[0].bands
    assert bands is not None
    night, peak, _ = bands
    assert night.rate == Decimal("0.168")
    assert night.hours == (Hours(start_minute=1260, end_minute=420),)
    assert peak.days == ("mon", "tue")
    assert file.tariffs[0].valid_from == date(2026, 4, 1)
    assert file.departures[0].at == time(7, 20)
    assert (file.departures[0].returns, file.departures[1].returns) == (time(18, 10), None)
    assert file.departures[1].date == date(2026, 12, 24)
    assert file.vehicles["hatchback"].taper == ((80.0, 100.0), (100.0, 25.0))
    assert file.charge_points["driveway"].start_cost == Decimal("0.02")


def test_defaults(tmp_path: Path) -> None:
    """Keys that the design calls optional have its defaults."""
    file = load_text(tmp_path, COTTAGE)
    carport, hatchback = file.charge_points["carport"], file.vehicles["hatchback"]
    prices = file.tariffs[1].prices
    assert (carport.min_amps, carport.phases, carport.min_run_minutes) == (6, 1, 0)
    assert (carport.min_rest_minutes, carport.plugged_in) == (None, None)
    assert (carport.switching, carport.rest_minutes) == ("on_off", 5)
    settable = carport.model_copy(update={"switching": "current"})
    assert settable.rest_minutes == 0
    assert carport.model_copy(update={"min_rest_minutes": 0}).rest_minutes == 0
    assert carport.start_cost == Decimal(0)
    assert (hatchback.charging_efficiency_percent, hatchback.standby_watts) == (90, 0)
    first = file.departures[0]
    assert (first.margin_minutes, first.max_rate) == (15, None)
    assert (first.returns, first.uses_kwh, first.uses_km) == (None, None, None)
    assert file.household.known_load == ()
    assert (file.bus.root, file.household.tick_minutes) == ("lullwatt", 5)
    assert file.tariffs[1].standing_charge == file.tariffs[1].tax_percent == Decimal(0)
    assert prices is not None
    assert prices.step_minutes == 30


def test_paths_are_relative_to_the_file(tmp_path: Path) -> None:
    """A relative path starts at the household file's folder, an absolute one stays."""
    edits = {"password_file: secrets/mqtt": "password_file: /etc/lullwatt/mqtt"}
    file = load_text(tmp_path, edited(edits))
    prices = file.tariffs[1].prices
    assert prices is not None
    assert prices.file == tmp_path / "prices.csv"
    assert file.bus.password_file == Path("/etc/lullwatt/mqtt")
    assert file.ledger.path == tmp_path / "ledger.sqlite3"


@pytest.mark.parametrize(
    ("text", "minute"), [("07:20", 440), ('"7:20"', 440), ("00:00", 0), ("23:59", 1439)]
)
def test_clock_times_need_no_quotes(text: str, minute: int, tmp_path: Path) -> None:
    """A time of day is text with or without quotes, and never a number in base 60."""
    at = load_text(tmp_path, edited({"at: 07:20": f"at: {text}"})).departures[0].at
    assert at.hour * 60 + at.minute == minute


def test_norway(tmp_path: Path) -> None:
    """NO is the country, since YAML 1.2 has no other words for false."""
    file = load_text(tmp_path, edited({"public_holidays: NZ": "public_holidays: NO"}))
    assert file.household.public_holidays == "NO"


def test_byte_order_mark_and_windows_lines(tmp_path: Path) -> None:
    """A file from a plain Windows editor reads the same."""
    path = tmp_path / "house.yaml"
    path.write_bytes(b"\xef\xbb\xbf" + COTTAGE.replace("\n", "\r\n").encode())
    assert load_household(path) == load_text(tmp_path, COTTAGE)


@pytest.mark.parametrize(
    "edits",
    [
        {"max_amps: 10": "max_amps: 16", "electrician: false": "electrician: true"},
        {"need_percent: 60, want_percent: 80": "need_percent: 95"},
        {'hours: ["21:00-07:00"]': 'hours: ["00:00-07:00", "21:00 - 24:00"]'},
        {"rate: 0.168": "rate: -0.05"},
        {"switching: on_off": "switching: on_off\n    min_amps: 1"},
        {"mqtt://127.0.0.1:1883": "embedded"},
        {"days: [mon, tue]}": "days: [mon, tue], months: [6, 7, 8]}"},
        {"days: [mon, tue]}": "days: [mon, tue, holiday]}"},
        {"    max_amps: 32\n    taper": "    taper"},
        {"    valid_from: 2026-04-01\n": ""},
        {"vehicle: hatchback, date": "margin_minutes: 0, vehicle: hatchback, date"},
        {"at: 07:20": 'at: 07:20, returns: "18:10"'},
        {"at: 07:20": "at: 07:20, returns: 01:30, uses_km: 300"},
        {
            "main_fuse_amps: 63": "main_fuse_amps: 63\n"
            '  on_alert: [./tell-me]\n  morning_line: "06:30"'
        },
        {
            "main_fuse_amps: 63": "main_fuse_amps: 63\n"
            '  known_load: [{amps: 63, hours: ["7:00-7:00"]}]'
        },
        {
            "main_fuse_amps: 63": "main_fuse_amps: 63\n  known_load:\n"
            '    - {amps: 24, hours: ["17:00-21:00", "06:00-07:00"], days: [sun, holiday]}\n'
            '    - {amps: 40, hours: ["18:00-19:00"], months: [6, 7]}'
        },
    ],
)
def test_unusual_but_good(edits: dict[str, str], tmp_path: Path) -> None:
    """What the design allows is not refused, and is kept."""
    changed = load_text(tmp_path, edited(edits))
    assert changed != load_text(tmp_path, COTTAGE)


def test_complete_example() -> None:
    """The example of the design, with almost every key, is read without a fault."""
    file = load_household(DATA / "complete.yaml")
    assert [tariff.name for tariff in file.tariffs] == ["Three-band", "Day-ahead"]
    assert file.want_percent(file.departures[0]) == 80
    assert file.want_percent(file.departures[1]) == 100
    assert file.bus.ca_file == DATA / "certs" / "ca.pem"
