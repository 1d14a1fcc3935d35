"""What `lullwatt check` and `lullwatt tariff` say of a home's own roofs, and of export."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest

from adapters.ledger.ledger import open_ledger
from daemon.check.explain import explain_unwrapped
from daemon.service.house_loading import load_house
from daemon.tariff.export import export_lines, export_rows
from planners.accounts.by_source import GridInterval
from tests.daemon.worlds import KOWHAI, utc

NOW = utc("2026-12-04T05:30")
OWN_ROOF = KOWHAI.with_name("own-roof.yaml").read_text("utf-8")
RATE = next(line for line in OWN_ROOF.splitlines(keepends=True) if "export_rate" in line)
FORECAST = next(line for line in OWN_ROOF.splitlines(keepends=True) if "forecast: {file" in line)
LOAD = OWN_ROOF[OWN_ROOF.index("  known_load:") : OWN_ROOF.index("\ntariffs:")]

BANDS = """    export_rate:
      bands:
        - {name: noon, rate: 0.05, hours: ["10:00-15:00"]}
        - {name: other, rate: 0.11}
"""
SUM = """    export_rate:
      components: [{name: market, rate: 0.10}, {name: fee, rate: -0.02}]
      percentages: [{name: withheld, percent: -10}]
"""


def house_file(tmp_path: Path, **edits: str) -> Path:
    """Copy the household with a roof, and its forecast, with some parts replaced."""
    forecast = KOWHAI.with_name("sun-forecast.csv").read_bytes()
    (tmp_path / "sun-forecast.csv").write_bytes(forecast)
    text = OWN_ROOF
    for part, new in edits.items():
        old = {"rate": RATE, "forecast": FORECAST, "load": LOAD}[part]
        assert old in text
        text = text.replace(old, new)
    path = tmp_path / "house.yaml"
    path.write_text(text, "utf-8")
    return path


def check(path: Path) -> list[str]:
    return list(explain_unwrapped(load_house(path, NOW), NOW))


def test_check_says_what_is_expected_and_counted_on(tmp_path: Path) -> None:
    """Roofs, forecasts, tomorrow's kWh, what the home takes, what export pays, the account."""
    lines = check(house_file(tmp_path))
    first = lines.index("Own roofs at 36.85 S, 174.76 E:")
    roof, other, inverter, source, until, tomorrow, use, export = lines[first + 1 :][:8]
    grid, follows, account = lines[first + 9 :][:3]
    assert roof == (
        "  4.2 kW, tilted by 25 degrees to the north (20 degrees), 14 % lost on the way."
    )
    assert "to the west (290 degrees), 18 %" in other
    assert inverter == "  The inverters let 5 kW through."
    assert source.endswith("sun-forecast.csv and the topic lullwatt/kowhai-cottage/forecast.")
    assert until == (
        "  They reach until Mon 07 Dec 00:00; the newest was made on Thu 03 Dec 18:00."
    )
    rows = (tmp_path / "sun-forecast.csv").read_text("utf-8").splitlines()
    kw = [float(row.split(",")[2]) for row in rows if ",2026-12-05T" in row]
    own = [0.46 + 0.92 * (7 <= hour < 9 or 17 <= hour < 22) for hour in range(24)]
    left = sum(max(0.0, 0.8 * each - used) for each, used in zip(kw, own, strict=True))
    assert tomorrow.startswith(f"  Tomorrow, 5 December 2026, {sum(kw):.1f} kWh are expected (a ")
    assert tomorrow.endswith(
        f"Plans count on 80 % of that (trust_percent), and of this {left:.1f} kWh are left over for"
        " charging."
    )
    assert use == "  The home itself uses the sun first: known_load, on one phase."
    assert export == "  Export pays 0.0800 NZD per kWh."
    assert grid == (
        "  What flows between the home and the grid is read at lullwatt/kowhai-cottage/grid."
    )
    assert "charging pauses where that is less than min_amps" in follows
    assert account.startswith("  The account of a night tells roof and grid apart by it")


def test_check_warns_of_a_sky_without_clouds_and_a_home_without_load(tmp_path: Path) -> None:
    """And says that a surplus without an export rate is worth nothing."""
    lines = check(house_file(tmp_path, rate="", forecast="", load=""))
    text = "\n".join(lines)
    assert "  No export_rate: what is left over counts as worth 0." in lines
    assert "  Nothing but a clear sky is known of the sun." in lines
    assert "- Plans count on 80 % of a clear sky every day, since nothing tells them of" in text
    assert "- No known_load, and none learned yet: plans count on all that the roofs give" in text


def test_check_says_that_forecasts_are_over(tmp_path: Path) -> None:
    """An old file is no sun."""
    path = house_file(tmp_path)
    later = NOW + timedelta(days=30)
    lines = list(explain_unwrapped(load_house(path, later), later))
    assert "  They ended on Mon 07 Dec 00:00." in lines
    assert any("0.0 kWh are expected (a clear sky:" in line for line in lines)


@pytest.mark.parametrize(
    ("rate", "words"),
    [
        ("    export_rate: 0\n", "Export pays 0.0000 NZD per kWh."),
        ("    export_rate: -0.02\n", "Export pays -0.0200 NZD per kWh."),
        ("    in_hundredths: true\n    export_rate: 8\n", "Export pays 0.0800 NZD per kWh."),
        (
            BANDS,
            "Export pays other 0.1100, noon 0.0500 NZD per kWh.",
        ),
        (
            SUM,
            "Export pays 0.0720 NZD per kWh.",
        ),
        (
            "    export_rate: {prices: {file: sold.csv, add: -0.01}}\n",
            "Export pays 0.0300 to 0.0900 NZD per kWh (some estimated).",
        ),
    ],
    ids=["nothing", "negative", "in cents", "bands", "a sum", "prices"],
)
def test_what_export_pays(tmp_path: Path, rate: str, words: str) -> None:
    """As many ways as a tariff has; the tax of the tariff is not added."""
    rows = "".join(
        f"2026-12-0{day}T{hour:02}:00:00+13:00,{0.04 if 9 <= hour < 16 else 0.10}\n"
        for day in (3, 4)
        for hour in range(24)
    )
    (tmp_path / "sold.csv").write_text(f"start,rate\n{rows}", "utf-8")
    house = load_house(house_file(tmp_path, rate=rate))
    day = utc("2026-12-04T11:00")
    assert list(export_lines(house.file, house.prices, day, day + timedelta(days=1))) == [words]
    listed = export_rows(house.prices, day, day + timedelta(days=1))
    assert listed is not None
    assert listed[0]["start_utc"] == "2026-12-04T11:00:00Z"
    assert listed[-1]["end_utc"] == "2026-12-05T11:00:00Z"


def test_an_export_rate_without_a_roof_is_warned_of(tmp_path: Path) -> None:
    """It is read, and changes nothing."""
    path = house_file(tmp_path)
    text = path.read_text("utf-8")
    generation = text[text.index("generation:") : text.index("charge_points:")]
    path.write_text(text.replace(generation, ""), "utf-8")
    assert (
        "  - export_rate counts for nothing: no generation says what could be exported."
        in check(path)
    )


def test_without_roofs_nothing_is_said() -> None:
    """Neither of roofs nor of export."""
    house = load_house(KOWHAI, NOW)
    assert export_rows(house.prices, NOW, NOW + timedelta(days=1)) is None
    text = "\n".join(explain_unwrapped(house, NOW))
    assert "roof" not in text
    assert "xport" not in text


@pytest.mark.parametrize("way", [1, -1])
def test_a_meter_at_the_grid_that_is_the_wrong_way_round_is_named(tmp_path: Path, way: int) -> None:
    """After a day of charging the ledger shows it: it fell while the vehicle drew more."""
    path = house_file(tmp_path)
    begins, five = NOW - timedelta(hours=20), timedelta(minutes=5)
    with open_ledger(tmp_path / "ledger.sqlite3") as ledger:
        register_wh = 100_000
        for n in range(60):
            charges = n // 6 % 2 == 1
            at = begins + n * five
            ledger.add_reading("driveway", at, register_wh)
            register_wh += 300 * charges
            net_wh = way * (300 * charges + 25)
            interval = GridInterval(at, max(0, net_wh), max(0, -net_wh))
            ledger.add_grid_interval(interval, begins)
    said = "\n".join(explain_unwrapped(load_house(path, NOW), NOW))
    caution = "The meter at the grid seems to be the wrong way round: in 9 of 9 steps of the last"
    assert (caution in said) is (way < 0)
