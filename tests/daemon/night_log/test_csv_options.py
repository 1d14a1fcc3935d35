"""How CSV is written is an option of every report that has it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.daemon.month.recorded import hour, recorded
from tests.support.commands import Ran

Run = Callable[..., Ran]


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory) -> str:
    folder = tmp_path_factory.mktemp("csv")
    changes = [("hatchback", "=car")]
    return str(recorded(folder, "kowhai", hour(2, 1, 7200), nights=2, changes=changes))


def test_decimal_commas_bring_semicolons_and_what_is_changed_is_said(file: str, run: Run) -> None:
    """The vehicle's name would be a formula; standard error says that it got an apostrophe."""
    ran = run("nights", file, "--format", "csv", "--csv-decimal", "comma", "--csv-bom")
    assert ran.out.startswith("\ufeffnight;charge_point;vehicle;")
    assert "2026-10-01;driveway;'=car;NZD;7,200;7,200;0,000;" in ran.out
    assert "apostrophe was put in front of '=car' and 1 more" in ran.err


def test_nights_go_into_a_file(file: str, tmp_path: Path, run: Run) -> None:
    """Tabs between cells, decimal points; nothing is printed. A folder can't be written."""
    output = tmp_path / "nights.csv"
    asked = ("nights", file, "--format", "csv", "--output")
    assert run(*asked, str(output), "--csv-separator", "tab").out == ""
    assert output.read_bytes().startswith(b"night\tcharge_point\t")
    ran = run(*asked, str(tmp_path))
    assert (ran.code, ran.out) == (2, "")
    assert "can't be written" in ran.err


@pytest.mark.parametrize(
    ("options", "reason"),
    [
        (("--csv-bom",), "--csv-bom: expected --format csv beside it"),
        (("--format", "json", "--csv-decimal", "comma"), "--csv-decimal: expected --format csv"),
        (
            ("--format", "csv", "--csv-decimal", "comma", "--csv-separator", "comma"),
            "--csv-separator comma: expected semicolon or tab beside decimal commas",
        ),
    ],
)
def test_options_that_do_not_go_together_are_refused(
    file: str, run: Run, options: tuple[str, ...], reason: str
) -> None:
    ran = run("nights", file, *options)
    assert (ran.code, ran.out) == (2, "")
    assert reason in ran.err
