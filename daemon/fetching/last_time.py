"""Remember what was asked last beside the file it went into, without any secret."""

from __future__ import annotations

import fcntl
import hashlib
import json
import os
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from adapters.clocks.instants import parse_instant
from adapters.host.whole_file import replacing
from config.files.errors import FetchError
from config.files.secret_files import credential_or_file

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from datetime import datetime
    from pathlib import Path

    from config.servers.source import Source

_MOST_BYTES = 1_000_000


@dataclass(frozen=True)
class LastTime:
    """What was asked last.

    Attributes
    ----------
    asked_at : datetime or None
        When a server was last asked, UTC.
    wrote_at : datetime or None
        When the file was last written.
    failure : str
        Why the last request failed or its answer was refused; empty if it was not.
    tags : mapping of str to mapping
        Headers for the next request, by the mark of the last one.
    stamp : tuple of int
        What the file was like afterwards.
    good_at : datetime or None
        When an answer was last good, if that is kept: also one that nothing has changed.
    """

    asked_at: datetime | None = None
    wrote_at: datetime | None = None
    failure: str = ""
    tags: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    stamp: tuple[int, ...] = ()
    good_at: datetime | None = None


def mark_of(source: Source, what: object) -> str:
    """Return a mark by which a request is known again; it holds nothing of a private address."""
    private = stamp_of(credential_or_file(source.url_file)) if source.url_file else ()
    told = f"{source.model_dump_json()} {what} {private}"
    return hashlib.sha256(told.encode()).hexdigest()


def stamp_of(path: Path) -> tuple[int, ...]:
    """Return what changes when a file does; empty if there is none."""
    try:
        stat = path.stat()
    except OSError:
        return ()
    return stat.st_mtime_ns, stat.st_size


def read_last_time(file: Path) -> LastTime:
    """Read what was asked last; an unreadable note counts as none, since it only spares work."""
    try:
        with _note(file).open("rb") as note:
            found = json.loads(note.read(_MOST_BYTES))
        return LastTime(
            asked_at=_instant(found["asked_at"]),
            wrote_at=_instant(found["wrote_at"]),
            failure=str(found["failure"]),
            tags={str(mark): dict(tags) for mark, tags in found["tags"].items()},
            stamp=tuple(found["stamp"]),
            good_at=_instant(found.get("good_at")),
        )
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return LastTime()


def write_last_time(file: Path, last: LastTime) -> None:
    """Replace the note; `FetchError` if it can't be written."""
    note = {
        "asked_at": last.asked_at and last.asked_at.isoformat(),
        "wrote_at": last.wrote_at and last.wrote_at.isoformat(),
        "failure": last.failure,
        "tags": last.tags,
        "stamp": last.stamp,
        "good_at": last.good_at and last.good_at.isoformat(),
    }
    path = _note(file)
    with writing(path), replacing(path) as part:
        part.file.write(json.dumps(note, indent=1).encode())


def write_whole(path: Path, content: bytes, rights: int | None = None) -> None:
    """Replace a file as a whole; it is on the disk when this returns.

    Parameters
    ----------
    path : Path
        The file; it need not exist.
    content : bytes
        What it will hold.
    rights : int, optional
        Who may read and write it, with the folder's group; without: as of any new file.

    Raises
    ------
    FetchError
        If it can't be written; the old one then stays.
    """  # noqa: DOC502 - raised by the parts
    with writing(path):
        with replacing(path) as part:
            if rights is not None:
                os.fchmod(part.file.fileno(), rights)
                with suppress(OSError):  # so that root's copy is the daemon's to read, too
                    os.fchown(part.file.fileno(), -1, path.parent.stat().st_gid)
            part.file.write(content)
            part.file.flush()
            os.fsync(part.file.fileno())
        folder = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)


@contextmanager
def alone(file: Path) -> Iterator[None]:
    """Be the only one that fetches into a folder, for as long as the block runs.

    Parameters
    ----------
    file : Path
        A file in it.

    Yields
    ------
    None
        Fetch inside.

    Raises
    ------
    FetchError
        If another one does, or there is no such folder.
    """
    with writing(file):
        folder = os.open(file.parent, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        fcntl.flock(folder, fcntl.LOCK_EX | fcntl.LOCK_NB)
        yield
    except BlockingIOError:
        raise FetchError(
            f"{file}: another command is fetching into this folder; wait until it has ended"
        ) from None
    finally:
        os.close(folder)


def _note(file: Path) -> Path:
    return file.with_name(f"{file.name}.fetched")


def _instant(text: str | None) -> datetime | None:
    return None if text is None else parse_instant(text)


@contextmanager
def writing(path: Path) -> Iterator[None]:
    """Turn what the system says while a file is written into a `FetchError`."""
    try:
        yield
    except OSError as error:
        raise FetchError(f"{path}: it can't be written: {error.strerror}") from None
