"""Replace a file as a whole: its readers find the old one or the new one, never a part.

A link that somebody put in the place of the unfinished file is never followed.
"""

from __future__ import annotations

import os
from contextlib import contextmanager
from typing import TYPE_CHECKING, BinaryIO, Final, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

_NEW_FILE: Final = os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC


class Part(NamedTuple):
    """A new file that does not have its name yet."""

    path: Path
    file: BinaryIO


@contextmanager
def replacing(path: Path) -> Iterator[Part]:
    """Make a file beside another, and give it the other's name at the end.

    Parameters
    ----------
    path : Path
        The file to replace or to make. If it is a link, the link itself is replaced.

    Yields
    ------
    Part
        An empty file ``<name>.part``, with the rights of any new file. If the block raises an
        error, it is deleted, and nothing is replaced.

    Raises
    ------
    OSError
        If it can't be made or named.
    """  # noqa: DOC502 - raised by the system
    part = path.with_name(f"{path.name}.part")
    part.unlink(missing_ok=True)  # of a program that was killed
    try:
        with os.fdopen(os.open(part, _NEW_FILE, 0o666), "w+b") as file:
            yield Part(part, file)
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)
