"""A price series is read as it means; a bad one names all its faults, each with its place."""

from __future__ import annotations

import os
import tracemalloc
from datetime import UTC, datetime
from decimal import Decimal
from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from config.files.errors import Fault, FileError
from config.files.price_series import PricePoint, load_prices

if TYPE_CHECKING:
    from pathlib import Path

WANTED = "start: expected an instant such as 2026-06-03T18:30:00+12:00"


def load(folder: Path, text: str) -> tuple[PricePoint, ...]:
    path = folder / "prices.csv"
    path.write_bytes(text.encode("utf-8"))
    return load_prices(path)


def faults_of(folder: Path, text: str) -> list[str]:
    with pytest.raises(FileError) as caught:
        load(folder, text)
    assert {fault.file for fault in caught.value.faults} == {str(folder / "prices.csv")}
    return [f"{fault.line}:{fault.column}: {fault.message}" for fault in caught.value.faults]


def test_order_and_offsets(tmp_path: Path) -> None:
    """Rows are sorted by instant, whatever their order and offsets."""
    points = load(
        tmp_path,
        "start,rate\n2026-06-03T19:00:00+12:00,0.25\n2026-06-03T06:30:00Z,-0.05\n",
    )
    assert points == (
        PricePoint(datetime(2026, 6, 3, 6, 30, tzinfo=UTC), Decimal("-0.05")),
        PricePoint(datetime(2026, 6, 3, 7, 0, tzinfo=UTC), Decimal("0.25")),
    )
    assert all(point.start.tzinfo is UTC for point in points)


@pytest.mark.parametrize(
    "text",
    [
        "start;rate\n2026-06-03T06:30:00Z;0.21\n",
        "\ufeffstart,rate\r\n2026-06-03T06:30:00Z,0.21\r\n",
        "start, rate\n\n  2026-06-03T06:30:00Z , 0.21",
        '"start","rate"\n"2026-06-03T06:30:00Z","0.21"\n',
        "start,rate\n2026-06-03t06:30:00z,2.1e-1\n",
        "start,rate\n2026-06-03 18:30:00.000+12:00,+.21\n",
        "start,rate\n2026-06-03T06:30:00-00:00,0.210\n2026-06-03T06:30:00Z,0.21\n",
        "\ufeffstart;rate\r\n2026-06-03T06:30:00Z;0,21\r\n",
        "start;rate\n2026-06-03T06:30:00Z;0,210\n2026-06-03T18:30:00+12:00;0.21\n",
    ],
)
def test_ways_to_write_it(text: str, tmp_path: Path) -> None:
    """Separator, byte order mark, line ends, quotes and RFC 3339's freedoms change nothing."""
    assert load(tmp_path, text) == (
        PricePoint(datetime(2026, 6, 3, 6, 30, tzinfo=UTC), Decimal("0.21")),
    )


@pytest.mark.parametrize(
    ("example", "instant"),
    [
        ("1996-12-19T16:39:57-08:00", None),
        ("2037-01-01T12:00:00+00:20", datetime(2037, 1, 1, 11, 40, tzinfo=UTC)),
    ],
)
def test_rfc_3339(example: str, instant: datetime | None, tmp_path: Path) -> None:
    """RFC 3339 section 5.8: its second example is no whole minute; 00:20 is an offset it names."""
    text = f"start,rate\n{example},1\n"
    if instant is None:
        (fault,) = faults_of(tmp_path, text)
        assert fault == f'2:1: start: expected a whole minute, got "{example}"'
    else:
        assert load(tmp_path, text)[0].start == instant


ROWS = [
    (
        "2026-06-03T06:30:00,0.21",
        "1",
        f'{WANTED}, got "2026-06-03T06:30:00" without Z or an offset',
    ),
    ("2026-06-03T06:30Z,0.21", "1", f'{WANTED}, got "2026-06-03T06:30Z"'),
    ("20260603T063000Z,0.21", "1", f'{WANTED}, got "20260603T063000Z"'),
    ("2026-W23-3,0.21", "1", f'{WANTED}, got "2026-W23-3"'),
    (",0.21", "1", f"{WANTED}, got nothing"),
    ("x" * 50 + ",1", "1", f'{WANTED}, got "{"x" * 40}..."'),
    ("2026-06-03T06:30:30Z,1", "1", 'start: expected a whole minute, got "2026-06-03T06:30:30Z"'),
    ("2026-12-31T23:59:60Z,1", "1", 'start: expected a whole minute, got "2026-12-31T23:59:60Z"'),
    (
        "2026-06-03T06:30:00.5Z,1",
        "1",
        'start: expected a whole minute, got "2026-06-03T06:30:00.5Z"',
    ),
    (
        "2026-02-30T06:30:00Z,1",
        "1",
        'start: expected a time that exists, got "2026-02-30T06:30:00Z"',
    ),
    (
        "2026-06-03T24:00:00Z,1",
        "1",
        'start: expected a time that exists, got "2026-06-03T24:00:00Z"',
    ),
    ("2026-06-03T06:30:00+24:00,1", "1", f'{WANTED}, got "2026-06-03T06:30:00+24:00"'),
    (
        "0001-01-01T00:00:00+01:00,1",
        "1",
        'start: expected a time that exists, got "0001-01-01T00:00:00+01:00"',
    ),
    ("2026-06-03T06:30:00Z,x", "22", 'rate: expected a number, got "x"'),
    ("2026-06-03T06:30:00Z,", "22", "rate: expected a number, got nothing"),
    ("2026-06-03T06:30:00Z, -", "23", 'rate: expected a number, got "-"'),
    ("2026-06-03T06:30:00Z,nan", "22", 'rate: expected a number, got "nan"'),
    ("2026-06-03T06:30:00Z,inf", "22", 'rate: expected a number, got "inf"'),
    ("2026-06-03T06:30:00Z,1_0", "22", 'rate: expected a number, got "1_0"'),
    ("2026-06-03T06:30:00Z,1e9", "22", 'rate: expected a number, got "1e9"; the most is 1000000'),
    ("2026-06-03T06:30:00Z,0.21,x", "1", "expected 2 columns, start and rate, got 3"),
    ("2026-06-03T06:30:00Z", "1", "expected 2 columns, start and rate, got 1"),
]


@pytest.mark.parametrize(("row", "column", "message"), ROWS)
def test_bad_rows(row: str, column: str, message: str, tmp_path: Path) -> None:
    """A bad row is named with its line, the column of the cell, and what was expected."""
    text = f"start,rate\n2026-06-03T06:00:00Z,0.20\n{row}\n"
    assert faults_of(tmp_path, text) == [f"3:{column}: {message}"]


def test_all_bad_rows_at_once(tmp_path: Path) -> None:
    """Every fault of the file is listed, not only the first; a row may have two."""
    text = "\n".join(["start,rate", *(row for row, _, _ in ROWS), "yesterday,dear"])
    faults = faults_of(tmp_path, text)
    assert [fault.split(":")[0] for fault in faults] == [
        *(str(line) for line in range(2, len(ROWS) + 3)),
        str(len(ROWS) + 2),
    ]


@pytest.mark.parametrize(
    ("text", "rate"),
    [
        ("0,21", "0.21"),
        ("-0,05", "-0.05"),
        ("+12,5", "12.5"),
        (" 0,21 ", "0.21"),
        ('"0,21"', "0.21"),
        ("1,250", "1.250"),
        ("0.21", "0.21"),
        ("21", "21"),
    ],
)
def test_decimal_comma_between_semicolons(text: str, rate: str, tmp_path: Path) -> None:
    """If semicolons separate the columns, a comma is a decimal mark, and so is a point."""
    (point,) = load(tmp_path, f"start;rate\n2026-06-03T06:30:00Z;{text}\n")
    assert str(point.rate) == rate


@pytest.mark.parametrize("text", ["1.234,5", "1,234,5", "0,", ",5", "1,2e-1", "0, 21", "0,2,", ","])
def test_commas_that_are_no_decimal_mark(text: str, tmp_path: Path) -> None:
    """Marks of thousands and half a number are refused, also between semicolons."""
    (fault,) = faults_of(tmp_path, f"start;rate\n2026-06-03T06:30:00Z;{text}\n")
    assert fault == f'2:22: rate: expected a number, got "{text}"'


@pytest.mark.parametrize("cells", ["0,21", '"0,21"', "-0,21", " 0,21 "])
def test_decimal_comma_between_commas(cells: str, tmp_path: Path) -> None:
    """If commas separate the columns, a decimal comma is refused, with what to write."""
    (fault,) = faults_of(tmp_path, f"start,rate\n2026-06-03T06:30:00Z,{cells}\n")
    number = cells.strip(' "')
    assert fault == (
        f"2:1: expected 2 columns, start and rate, got 3; write {number.replace(',', '.')}, "
        f"or separate the columns by semicolons"
    )


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        (
            "start;rate\n2026-06-03T06:30:00Z,0.21\n",
            "2:1: expected 2 columns, start and rate, got 1",
        ),
        (
            "start,rate\n2026-06-03T06:30:00Z;0.21\n",
            "2:1: expected 2 columns, start and rate, got 1",
        ),
        (
            "start,rate\n2026-06-03T06:30:00Z;0,21\n",
            f'2:1: {WANTED}, got "2026-06-03T06:30:00Z;0"',
        ),
        (
            "start\trate\n2026-06-03T06:30:00Z\t0.21\n",
            '1:1: expected the header start,rate, got "start\\trate"',
        ),
    ],
)
def test_the_header_says_what_parts_the_columns(text: str, fault: str, tmp_path: Path) -> None:
    """A row with another separator than the header is refused, and so are tabs."""
    assert faults_of(tmp_path, text) == [fault]


def test_two_prices_for_one_start(tmp_path: Path) -> None:
    """The same instant with two prices is a fault that names both lines."""
    text = "start,rate\n2026-06-03T06:30:00Z,0.2\n\n2026-06-03T18:30:00+12:00,0.3\n"
    (fault,) = faults_of(tmp_path, text)
    assert fault == "4:27: rate: expected 0.2 as in line 2 for the same start, got 0.3"


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("", "1:1: expected the header start,rate, got an empty file"),
        ("\n \n", "1:1: expected the header start,rate, got an empty file"),
        ("start,rate\n", "1:1: expected at least one price below the header, got none"),
        ("rate,start\n", '1:1: expected the header start,rate, got "rate,start"'),
        ("2026-06-03T06:30:00Z,1", None),
        ("\nstart,price\n", '2:1: expected the header start,rate, got "start,price"'),
        ("start,rate,note\n", '1:1: expected the header start,rate, got "start,rate,note"'),
    ],
)
def test_bad_files(text: str, fault: str | None, tmp_path: Path) -> None:
    """A file without the header, or without prices, says so."""
    wanted = fault or '1:1: expected the header start,rate, got "2026-06-03T06:30:00Z,1"'
    assert faults_of(tmp_path, text) == [wanted]


def test_not_utf_8(tmp_path: Path) -> None:
    """A byte that is not UTF-8 is reported with its place."""
    path = tmp_path / "prices.csv"
    path.write_bytes(b"start,rate\n2026-06-03T06:30:00Z,0\xb721\n")
    with pytest.raises(FileError, match=r"prices\.csv:2:23: expected UTF-8, got the byte 0xb7"):
        load_prices(path)


def test_missing_file(tmp_path: Path) -> None:
    """A missing file is a fault, not a traceback."""
    with pytest.raises(FileError, match="expected a price series in CSV, got no such file"):
        load_prices(tmp_path / "nowhere.csv")


cells = st.one_of(
    st.sampled_from(["2026-06-03T06:30:00Z", "2026-06-03T06:30:00+12:00", "0.2", "start", "rate"]),
    st.datetimes().map(datetime.isoformat),
    st.floats().map(str),
    st.text(max_size=8),
)
rows = st.lists(cells, max_size=3).map(",".join)
lines = st.lists(rows, max_size=5).map(
    lambda body: "\n".join(["start,rate", *body]).encode(errors="replace")
)


def outcome(path: Path) -> tuple[tuple[PricePoint, ...], tuple[Fault, ...]]:
    try:
        return load_prices(path), ()
    except FileError as error:
        return (), error.faults


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(raw=st.one_of(st.binary(max_size=80), lines))
def test_nothing_escapes(raw: bytes, tmp_path: Path) -> None:
    """Whatever the file holds, there are sorted prices, or faults with places inside the file."""
    path = tmp_path / "prices.csv"
    path.write_bytes(raw)
    points, faults = outcome(path)
    assert bool(points) != bool(faults)
    assert list(points) == sorted(points)
    assert all(1 <= fault.line <= raw.count(b"\n") + 1 for fault in faults)
    assert all(fault.column >= 1 and fault.message.isprintable() for fault in faults)


def test_of_very_many_faults_the_first_hundred(tmp_path: Path) -> None:
    """A file of another kind ends in a page of messages, not in a gigabyte of them."""
    faults = faults_of(tmp_path, "start,rate\n" + "x,y\n" * 100_000)
    assert len(faults) == 100
    assert faults[-1].startswith("51:3: rate: expected a number")


def test_a_row_of_very_many_cells(tmp_path: Path) -> None:
    """It costs no more than any other row that is wrong."""
    tracemalloc.start()
    try:
        faults = faults_of(tmp_path, "start,rate\n" + "a," * 1_000_000)
        assert tracemalloc.get_traced_memory()[1] < 20_000_000
    finally:
        tracemalloc.stop()
    assert faults == ["2:1: expected 2 columns, start and rate, got 100"]


@pytest.mark.parametrize("kind", ["endless", "waiting", "sparse"])
def test_files_without_an_end(kind: str, tmp_path: Path) -> None:
    """A device, a FIFO that nobody writes to, and a sparse file are refused at once."""
    path = tmp_path / "prices.csv"
    if kind == "endless":
        path.symlink_to("/dev/zero")
    elif kind == "waiting":
        os.mkfifo(path)
    else:
        with path.open("wb") as file:
            file.truncate(10 * 2**30)
    with pytest.raises(FileError, match="expected a price series in CSV, got"):
        load_prices(path)
