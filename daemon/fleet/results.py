"""Keep results as Parquet files in a folder. The only module that uses pyarrow.

Each file holds some homes; of a home that is in several, the one in the last file counts.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import pyarrow as pa
import pyarrow.parquet as pq

from config.files.errors import UsageError
from daemon.fields.documents import VERSION
from daemon.fields.field import fields_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from daemon.fields.field import Field

PER_FILE: Final = 64
"""So many homes are in a file; no more are lost if the machine fails."""
_NAME: Final = re.compile(r"homes-(\d{6,})\.parquet")
_TYPES: Final = {"text": pa.string(), "count": pa.int64(), "yes_no": pa.bool_()}


def _type(field: Field) -> Any:  # noqa: ANN401 - pyarrow has no types
    if field.kind == "list":
        return pa.list_(pa.struct(_columns(field.section)))
    return _TYPES.get(field.kind, pa.float64())


def _columns(section: str) -> list[Any]:
    return [pa.field(name, _type(field)) for name, field in fields_of(section).items()]


def _schema() -> Any:  # noqa: ANN401
    """Return the columns of a file: a home's key and inputs, what tells it apart, and its row."""
    beside = [
        ("path", pa.string()),
        ("inputs", pa.string()),
        ("ledger", pa.string()),
        ("nights", pa.list_(pa.uint64())),
    ]
    version = {"version": str(VERSION)}
    return pa.schema([*beside, *_columns("home_appraisal")], metadata=version)


class Results:
    """The results in a folder.

    Parameters
    ----------
    folder : Path
        Is made if it is not there.

    Raises
    ------
    UsageError
        If it can't be used, or holds what is no result.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._waiting: list[Mapping[str, Any]] = []
        try:
            folder.mkdir(parents=True, exist_ok=True)
            self._files = sorted(each for each in folder.iterdir() if _NAME.fullmatch(each.name))
            self._kept = {row["path"]: row for file in self._files for row in _rows(file)}
        except (OSError, pa.ArrowInvalid) as error:
            raise UsageError(f"--results: {folder}: can't be used: {error}") from error

    def get(self, path: str) -> Mapping[str, Any] | None:
        """Return what is kept of a home; None if nothing is."""
        return self._kept.get(path)

    def add(self, row: Mapping[str, Any]) -> None:
        """Keep the result of a home; write a file once there are enough."""
        self._kept[row["path"]] = dict(row)
        self._waiting.append(row)
        if len(self._waiting) >= PER_FILE:
            self.flush()

    def flush(self) -> None:
        """Write what waits; a file is there as a whole or not at all."""
        if not self._waiting:
            return
        last = int(_NAME.fullmatch(self._files[-1].name)[1]) if self._files else 0  # type: ignore[index]
        file = self._folder / f"homes-{last + 1:06d}.parquet"
        made = file.with_suffix(".part")
        try:
            pq.write_table(pa.Table.from_pylist(self._waiting, schema=_schema()), made)
            made.replace(file)
        except OSError as error:
            raise UsageError(f"--results: {file}: can't be written: {error.strerror}") from error
        self._files.append(file)
        self._waiting = []

    def tidy(self) -> None:
        """Write all again without what is superseded, if a home is there twice."""
        self.flush()
        if sum(pq.read_metadata(file).num_rows for file in self._files) == len(self._kept):
            return
        old, self._waiting = self._files[:], []
        for row in list(self._kept.values()):
            self.add(row)
        self.flush()
        for file in old:
            file.unlink()
        self._files = [file for file in self._files if file not in old]


def _rows(file: Path) -> Iterator[dict[str, Any]]:
    """Read the rows of one file; none if another version has written other columns."""
    table = pq.read_table(file)
    if b"version" not in (table.schema.metadata or {}):  # `tidy` would delete somebody's own file
        raise pa.ArrowInvalid(f"{file.name} is no result of Lullwatt")
    if table.schema.equals(_schema()):
        rows: Iterable[dict[str, Any]] = table.to_pylist()
        yield from rows
