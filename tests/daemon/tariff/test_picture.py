"""Pictures: well formed, with the right words and values, always the same."""

from __future__ import annotations

import errno
import os
import resource
import struct
import subprocess
import sys
from dataclasses import replace
from typing import TYPE_CHECKING
from xml.etree import ElementTree as ET

import pytest
from matplotlib.figure import Figure
from matplotlib.patches import StepPatch

from config.files.errors import UsageError
from daemon.tariff import picture
from daemon.tariff.picture import PNG_DPI, draw_plan, draw_tariff
from planners.rates.prices import prices_of
from tests.daemon.tariff.weeks import HOLIDAYS, SERIES, Week, half_hours, week_of
from tests.planners.households import band, bands
from tests.planners.planned import THREE_BANDS, DemoHousehold, utc
from tests.support.waiting import patience

if TYPE_CHECKING:
    from pathlib import Path

    from planners.plan.plan import Plan

EVENING = "2026-06-03T06:30:00"
PNG_SIGNATURE = b"\x89PNG\r\n\x1a\n"
"""Portable Network Graphics, third edition (W3C, 2025), section 5.2."""
SVG = "{http://www.w3.org/2000/svg}"


def words_of(path: Path) -> set[str]:
    """Texts of an SVG, which must be well formed."""
    root = ET.fromstring(path.read_bytes())  # noqa: S314 - our own
    assert root.tag == f"{SVG}svg"
    return {"".join(text.itertext()).strip() for text in root.iter(f"{SVG}text")}


def png_size(path: Path) -> tuple[int, int]:
    """Width and height of a PNG, from its first chunk."""
    content = path.read_bytes()
    assert content.startswith(PNG_SIGNATURE)
    assert content[12:16] == b"IHDR"
    width, height = struct.unpack(">II", content[16:24])
    return width, height


def drawn(path: Path, week: Week) -> set[str]:
    draw_tariff(path, week.file, week.days)
    return words_of(path)


def test_free_hours_and_narrow_bands_are_explained(tmp_path: Path) -> None:
    """A rate of 0 has no height, so it is hatched; a narrow band is named below the picture."""
    tariff = bands(
        band("no charge", "0", hours=["11:00-14:00"]),
        band("very narrow band", "0.50", hours=["18:00-18:30"]),
        band("day", "0.30"),
    )
    words = drawn(tmp_path / "free.svg", week_of("2026-06-03", 2, [tariff]))
    assert "free" in words
    assert "no charge" in words or "no charge 0.0000" in words
    assert "very narrow band 0.5000" in words
    assert "free" not in drawn(tmp_path / "paid.svg", week_of("2026-06-03", 2))


def draw(path: Path, given: DemoHousehold, plan: Plan, until: str | None = None) -> None:
    file = given.file()
    prices = prices_of(file, given.series or {})
    end = utc(until) if until else plan.departure
    draw_plan(path, file, plan, prices.spans(plan.made_at, end))


def test_a_week_is_drawn_with_its_words(tmp_path: Path) -> None:
    """The household, each day, each band with its rate, the zone, the clock change."""
    words = drawn(tmp_path / "week.svg", week_of("2026-09-25", 4))
    assert words >= {
        "Kowhai Cottage: Fri 25 September 2026 to Mon 28 September 2026",
        "Fri 25 Sep, Three-band",
        "Sat 26 Sep",
        "Sun 27 Sep, 23 hours: the clock goes forward at 02:00",
        "night 0.1932",
        "peak 0.4738",
        "NZD per kWh, tax included",
        "Local time, Pacific/Auckland",
        "03",
        "21",
    }
    assert not words & {"estimated", "not known", "charging"}


def test_one_day_is_named_in_the_title(tmp_path: Path) -> None:
    """The title of a picture of one day is that day."""
    assert "Kowhai Cottage: Wed 3 June 2026" in drawn(tmp_path / "d.svg", week_of("2026-06-03", 1))


def test_holidays_and_changes_of_tariff_are_named(tmp_path: Path) -> None:
    """Each above its day."""
    week = week_of("2026-04-02", 3, [HOLIDAYS], public_holidays="NZ")
    assert "Fri 3 Apr, public holiday" in drawn(tmp_path / "a.svg", week)
    prices = half_hours("2026-09-30T11:00:00", *["0.1", "-0.1"] * 12)
    words = drawn(
        tmp_path / "b.svg", week_of("2026-09-30", 2, [THREE_BANDS, SERIES], points=prices)
    )
    assert "Thu 1 Oct, Day-ahead" in words
    assert "estimated" in words


def test_what_is_not_known_is_in_the_legend(tmp_path: Path) -> None:
    """A day without rates still has its frame."""
    week = week_of("2026-09-30", 2, [{**THREE_BANDS, "valid_from": None}, SERIES])
    assert drawn(tmp_path / "a.svg", week) >= {"not known", "Thu 1 Oct, Day-ahead"}


def test_a_plan_is_drawn_with_its_words(tmp_path: Path) -> None:
    """Charge now and reached, the current, the departure, bands, the new day."""
    given = DemoHousehold()
    draw(tmp_path / "plan.svg", given, given.plan(35.0, EVENING))
    assert words_of(tmp_path / "plan.svg") >= {
        "Kowhai Cottage: Wed 3 June 2026",
        "hatchback on driveway: 35 % now, 80 % by Thu 4 Jun 07:20. 26.00 kWh for NZD 5.02.",
        "32 A",
        "departs 07:20",
        "peak 0.4738",
        "night 0.1932",
        "21:00",
        "Thu 4 Jun",
        "charging",
        "NZD per kWh, tax included",
        "Local time, Pacific/Auckland",
    }


def test_a_plan_shows_what_is_to_come_from_the_roof(tmp_path: Path) -> None:
    """A hatch as high as its share, and its name in the legend; without a roof neither."""
    given, path = DemoHousehold(), tmp_path / "plan.svg"
    plan = given.plan(35.0, EVENING)
    draw(path, given, plan)
    assert "from the roof" not in words_of(path)
    sunny = tuple(replace(each, roof_kwh=each.kwh / 2) for each in plan.periods)
    draw(path, given, replace(plan, periods=sunny))
    assert "from the roof" in words_of(path)


def test_a_plan_that_charges_nothing_is_drawn(tmp_path: Path) -> None:
    """Rates and the departure alone."""
    given = DemoHousehold()
    draw(tmp_path / "plan.svg", given, given.plan(90.0, EVENING))
    words = words_of(tmp_path / "plan.svg")
    assert "departs 07:20" in words
    assert "charging" not in words


def test_a_plan_on_estimates_says_so(tmp_path: Path) -> None:
    """Prices that end at 22:00 leave the rest of the night hatched."""
    prices = half_hours("2026-06-02T12:00:00", *["0.1", "0.2"] * 22)
    given = DemoHousehold(tariffs=[SERIES | {"valid_from": None}], series={"Day-ahead": prices})
    draw(tmp_path / "plan.svg", given, given.plan(35.0, EVENING))
    assert words_of(tmp_path / "plan.svg") >= {"estimated", "charging"}


def test_names_are_drawn_as_they_are(tmp_path: Path) -> None:
    """Dollar signs, markup and letters that the font lacks are drawn as text."""
    name = "A $1 & <b>$2 house 家"
    given = DemoHousehold({"name": name})
    for kind in ("svg", "png"):
        draw(tmp_path / f"plan.{kind}", given, given.plan(35.0, EVENING))
    assert f"{name}: Wed 3 June 2026" in words_of(tmp_path / "plan.svg")


def test_the_drawing_has_the_values_of_the_spans() -> None:
    """Both the line in matplotlib and the fill below it have the values of the spans."""
    (day,) = week_of("2026-06-03", 1).days
    axes = Figure().subplots()
    axes.set_xlim(0, 24)
    picture._draw_rates(axes, day.spans, day.start)
    filled, line = (patch for patch in axes.patches if isinstance(patch, StepPatch))
    for patch in (filled, line):
        values, edges, _baseline = patch.get_data()
        assert list(values) == [float(span.rate) for span in day.spans]
        assert list(edges) == [0, 7, 11, 17, 21, 24]
    assert filled.get_data()[2] == 0


@pytest.mark.parametrize("kind", ["svg", "png"])
def test_a_picture_is_the_same_each_time(tmp_path: Path, kind: str) -> None:
    """Byte for byte, so that a changed picture means changed rates."""
    prices = half_hours("2026-09-30T11:00:00", *["0.1", "-0.1"] * 12)
    week = week_of("2026-09-30", 2, [THREE_BANDS, SERIES], points=prices)
    given = DemoHousehold()
    plan = given.plan(35.0, EVENING)
    for name in ("one", "two"):
        draw_tariff(tmp_path / f"{name}.{kind}", week.file, week.days)
        draw(tmp_path / f"plan-{name}.{kind}", given, plan)
    for name in ("", "plan-"):
        one, two = (tmp_path / f"{name}{each}.{kind}" for each in ("one", "two"))
        assert one.read_bytes() == two.read_bytes()


@pytest.mark.parametrize(
    ("days", "inches"), [(1, (8.0, 4.0)), (2, (8.0, 3.7)), (7, (8.0, 9.95)), (14, (11.0, 9.95))]
)
def test_a_png_has_the_size_of_its_days(
    tmp_path: Path, days: int, inches: tuple[float, float]
) -> None:
    """In pixels: more days make it higher, and more than seven also wider."""
    week = week_of("2026-06-01", days)
    draw_tariff(tmp_path / "week.PNG", week.file, week.days)
    assert png_size(tmp_path / "week.PNG") == tuple(int(PNG_DPI * each) for each in inches)


def test_more_days_than_can_be_read_are_refused(tmp_path: Path) -> None:
    """At most fourteen."""
    week = week_of("2026-06-01", 15)
    with pytest.raises(UsageError, match=r"^--picture: expected --days 1 to 14, got 15$"):
        draw_tariff(tmp_path / "week.svg", week.file, week.days)
    assert list(tmp_path.iterdir()) == []


def test_a_departure_that_is_now_can_not_be_drawn(tmp_path: Path) -> None:
    """The message says that there is no time left to draw."""
    given = DemoHousehold()
    plan = given.plan(35.0, EVENING)
    with pytest.raises(UsageError, match="expected some time before the departure"):
        draw(tmp_path / "plan.svg", given, plan, until=EVENING)


def test_an_existing_picture_is_replaced(tmp_path: Path) -> None:
    """In one step, and nothing else is left beside it."""
    path = tmp_path / "week.svg"
    path.write_text("what was there before", "utf-8")
    assert "Sat 26 Sep" in drawn(path, week_of("2026-09-25", 4))
    assert list(tmp_path.iterdir()) == [path]


def test_a_picture_that_can_not_be_written_leaves_nothing(tmp_path: Path) -> None:
    """A folder that is missing, and a folder where the picture should go."""
    week = week_of("2026-06-03", 1)
    with pytest.raises(UsageError, match=r"can't write '.*a\.svg': No such file or directory"):
        draw_tariff(tmp_path / "missing" / "a.svg", week.file, week.days)
    (tmp_path / "b.svg").mkdir()
    with pytest.raises(UsageError, match=r"can't write '.*b\.svg': Is a directory"):
        draw_tariff(tmp_path / "b.svg", week.file, week.days)
    assert [path.name for path in tmp_path.rglob("*")] == ["b.svg"]


def test_a_disk_that_fills_up_leaves_the_old_picture(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whichever step fails, the old picture stays whole, with nothing beside it."""
    path = tmp_path / "week.svg"
    path.write_text("what was there before", "utf-8")
    week = week_of("2026-06-03", 1)

    def full(*_given: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    usual = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (64, usual[1]))
    try:
        with pytest.raises(UsageError, match="File too large"):
            drawn(path, week)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, usual)
    monkeypatch.setattr(type(path), "replace", full)
    with pytest.raises(UsageError, match="No space left on device"):
        drawn(path, week)
    assert path.read_text("utf-8") == "what was there before"
    assert list(tmp_path.iterdir()) == [path]


def test_drawing_keeps_no_state_and_needs_no_display() -> None:
    """Neither pyplot nor a window is loaded, and the settings are as they were."""
    code = (
        "import matplotlib, sys; before = matplotlib.rcParams.copy()\n"
        "import daemon.tariff.picture as p\n"
        "with p._style(): p.Figure().subplots()\n"
        "assert matplotlib.rcParams.copy() == before\n"
        "assert 'matplotlib.pyplot' not in sys.modules and 'tkinter' not in sys.modules"
    )
    subprocess.run([sys.executable, "-c", code], check=True, timeout=patience(60))
