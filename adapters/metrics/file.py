"""Figures in a text file, replaced whole, on a thread of its own: a slow disk holds nobody up."""

from __future__ import annotations

from threading import Condition, Thread
from typing import TYPE_CHECKING

import structlog

from adapters.metrics.page import page
from config.files.errors import MetricsError

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from adapters.metrics.families import Family

_LAST_LINE = b"# EOF\n"
_RIGHTS = 0o644
"""Collectors are other users; who may not read it is kept out by the folder."""

_log = structlog.get_logger(__name__)


def refuse_file(path: Path) -> None:
    """Refuse a place where no file of figures can be, or where another file is.

    Parameters
    ----------
    path : Path
        The file.

    Raises
    ------
    MetricsError
        If its folder is missing, or what is there is no file of figures.
    """
    if not path.parent.is_dir():
        raise MetricsError(f"{path}: the folder of the metrics file {path.parent} does not exist")
    try:
        is_another = path.exists() and not _is_ours(path)
    except OSError as error:
        raise MetricsError(f"{path}: the metrics file can't be used: {error.strerror}") from error
    if is_another:
        raise MetricsError(
            f"{path}: another file is in the place of the metrics file; it is left alone"
        )


def _is_ours(path: Path) -> bool:
    if not path.is_file():
        return False
    with path.open("rb") as file:
        start, size = file.read(2), path.stat().st_size
        file.seek(max(0, size - len(_LAST_LINE)))
        return size == 0 or (start == b"# " and file.read() == _LAST_LINE)


class MetricsFile:
    """Writes the newest figures to a file; one that can't be written is tried again.

    Parameters
    ----------
    path : Path
        The file. It is removed at the end, as what it says is true no more.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._changed = Condition()
        self._newest: tuple[Family, ...] | None = None
        self._ending = False
        self._trouble: str | None = None
        self._thread = Thread(target=self._write_all, name="metrics", daemon=True)

    def start(self) -> None:
        """Begin.

        Raises
        ------
        MetricsError
            If there can be no such file.
        """  # noqa: DOC502 - raised by the part
        refuse_file(self._path)
        self._thread.start()

    def tell(self, families: Iterable[Family]) -> None:
        """Have these written in place of what was told before; returns at once."""
        with self._changed:
            self._newest = tuple(families)
            self._changed.notify()

    def stop(self) -> None:
        """End, and take the file away."""
        with self._changed:
            self._ending = True
            self._changed.notify()
        self._thread.join()
        try:
            self._path.unlink(missing_ok=True)
        except OSError as error:
            self._note(error)

    def _write_all(self) -> None:
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._ending or self._newest is not None)
                families, self._newest = self._newest, None
                if self._ending or families is None:
                    return
            try:
                self._write(page(families))
                self._trouble = None
            except OSError as error:
                self._note(error)

    def _write(self, text: bytes) -> None:
        part = self._path.with_name(f"{self._path.name}.part")
        try:
            part.write_bytes(text)
            part.chmod(_RIGHTS)
            part.replace(self._path)
        finally:
            part.unlink(missing_ok=True)

    def _note(self, error: OSError) -> None:
        why = error.strerror or str(error)
        if why != self._trouble:
            _log.warning("the metrics file can't be written", file=str(self._path), why=why)
        self._trouble = why
