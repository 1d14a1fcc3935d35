"""Write metrics to a text file, always replaced as a whole, on its own thread.

So a slow disk delays nobody.
"""

from __future__ import annotations

import os
import stat
from threading import Condition, Thread
from typing import TYPE_CHECKING

import structlog

from adapters.host.whole_file import replacing
from adapters.metrics.page import page
from config.files.errors import MetricsError

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from adapters.metrics.families import Family

_LAST_LINE = b"# EOF\n"
_RIGHTS = 0o644
"""Readable by everybody: collectors are other users. The folder may restrict access."""

_log = structlog.get_logger(__name__)


def refuse_file(path: Path) -> None:
    """Raise an error if the metrics file can't be at a path.

    Parameters
    ----------
    path : Path
        The file.

    Raises
    ------
    MetricsError
        If its folder is missing or not safe, or the file that is there is not a metrics file.
    """
    if not path.parent.is_dir():
        raise MetricsError(f"{path}: the folder of the metrics file {path.parent} does not exist")
    if _anybody_may_replace_files(path.parent):
        raise MetricsError(
            f"{path}: everybody may write to the folder {path.parent}, so that anybody could put"
            f" another file in this place; take that right away: chmod o-w {path.parent}"
        )
    try:
        is_another = path.exists() and not _is_ours(path)
    except OSError as error:
        raise MetricsError(f"{path}: the metrics file can't be used: {error.strerror}") from error
    if is_another:
        raise MetricsError(f"{path}: this is another file, not a metrics file; it is left alone")


def _anybody_may_replace_files(folder: Path) -> bool:
    """Whether all users may write to a folder, and delete each other's files (no sticky bit)."""
    mode = folder.stat().st_mode
    return bool(mode & stat.S_IWOTH and not mode & stat.S_ISVTX)


def _is_ours(path: Path) -> bool:
    if not path.is_file():
        return False
    with path.open("rb") as file:
        start, size = file.read(2), path.stat().st_size
        file.seek(max(0, size - len(_LAST_LINE)))
        return size == 0 or (start == b"# " and file.read() == _LAST_LINE)


class MetricsFile:
    """Writes the latest metrics to a file.

    After an error, the next update tries again.

    Parameters
    ----------
    path : Path
        The file. It is deleted at the end, because its values are no longer true.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._changed = Condition()
        self._latest: tuple[Family, ...] | None = None
        self._ending = False
        self._last_error: str | None = None
        self._thread = Thread(target=self._write_all, name="metrics", daemon=True)

    def start(self) -> None:
        """Start writing.

        Raises
        ------
        MetricsError
            If there can be no metrics file at this path.
        """  # noqa: DOC502 - raised by the part
        refuse_file(self._path)
        self._thread.start()

    def update(self, families: Iterable[Family]) -> None:
        """Write these from now on; returns at once."""
        with self._changed:
            self._latest = tuple(families)
            self._changed.notify()

    def stop(self) -> None:
        """Stop writing, and delete the file."""
        with self._changed:
            self._ending = True
            self._changed.notify()
        self._thread.join()
        try:
            self._path.unlink(missing_ok=True)
        except OSError as error:
            self._log_once(error)

    def _write_all(self) -> None:
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._ending or self._latest is not None)
                families, self._latest = self._latest, None
                if self._ending or families is None:
                    return
            try:
                self._write(page(families))
                self._last_error = None
            except OSError as error:
                self._log_once(error)

    def _write(self, text: bytes) -> None:
        with replacing(self._path) as part:
            os.fchmod(part.file.fileno(), _RIGHTS)
            part.file.write(text)

    def _log_once(self, error: OSError) -> None:
        why = error.strerror or str(error)
        if why != self._last_error:
            _log.warning("the metrics file can't be written", file=str(self._path), why=why)
        self._last_error = why
