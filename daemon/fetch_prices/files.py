"""Replace the price file, and keep a note beside it of what was asked last, without any secret."""

from __future__ import annotations

import fcntl
import hashlib
import json
import os
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from adapters.clocks.instants import parse_instant
from adapters.host.whole_file import replacing
from config.files.errors import FetchError
from config.files.secret_files import credential_or_file

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from datetime import date, datetime
    from pathlib import Path
    from zoneinfo import ZoneInfo

    from config.files.price_series import PricePoint
    from config.tariffs.price_fetch import PriceFetch

_MOST_BYTES = 1_000_000


@dataclass(frozen=True)
class LastTime:
    """What was asked last.

    Attributes
    ----------
    asked_at : datetime or None
        When a server was last asked, UTC.
    wrote_at : datetime or None
        When prices were last written.
    failure : str
        Why the last request failed or its answer was refused; empty if it was not.
    tags : mapping of str to mapping
        Headers for the next request, by the mark of the last one.
    stamp : tuple of int
        What the price file was like afterwards.
    """

    asked_at: datetime | None = None
    wrote_at: datetime | None = None
    failure: str = ""
    tags: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    stamp: tuple[int, ...] = ()


def mark_of(fetch: PriceFetch, day: date) -> str:
    """Return a mark by which a request is known again; it holds nothing of a private address."""
    private = stamp_of(credential_or_file(fetch.url_file)) if fetch.url_file else ()
    told = f"{fetch.model_dump_json()} {day} {private}"
    return hashlib.sha256(told.encode()).hexdigest()


def stamp_of(path: Path) -> tuple[int, ...]:
    """Return what changes when a file does; empty if there is none."""
    try:
        stat = path.stat()
    except OSError:
        return ()
    return stat.st_mtime_ns, stat.st_size


def read_last_time(price_file: Path) -> LastTime:
    """Read what was asked last; an unreadable note counts as none, since it only spares work."""
    try:
        with _note(price_file).open("rb") as file:
            found = json.loads(file.read(_MOST_BYTES))
        return LastTime(
            asked_at=_instant(found["asked_at"]),
            wrote_at=_instant(found["wrote_at"]),
            failure=str(found["failure"]),
            tags={str(mark): dict(tags) for mark, tags in found["tags"].items()},
            stamp=tuple(found["stamp"]),
        )
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return LastTime()


def write_last_time(price_file: Path, last: LastTime) -> None:
    """Replace the note; `FetchError` if it can't be written."""
    note = {
        "asked_at": last.asked_at and last.asked_at.isoformat(),
        "wrote_at": last.wrote_at and last.wrote_at.isoformat(),
        "failure": last.failure,
        "tags": last.tags,
        "stamp": last.stamp,
    }
    path = _note(price_file)
    with _plain_errors(path), replacing(path) as part:
        part.file.write(json.dumps(note, indent=1).encode())


def write_prices(path: Path, points: Sequence[PricePoint], zone: ZoneInfo) -> None:
    """Replace the price file as a whole; it is on the disk when this returns.

    Parameters
    ----------
    path : Path
        The price file; it need not exist.
    points : sequence of PricePoint
        In order.
    zone : ZoneInfo
        Whose clock the starts show, with their offsets.

    Raises
    ------
    FetchError
        If it can't be written; the old one then stays.
    """  # noqa: DOC502 - raised by the parts
    with _plain_errors(path):
        with replacing(path) as part:
            part.file.write(prices_text(points, zone).encode())
            part.file.flush()
            os.fsync(part.file.fileno())
        folder = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)


def prices_text(points: Sequence[PricePoint], zone: ZoneInfo) -> str:
    """Write prices as a price file has them."""
    rows = (f"{point.start.astimezone(zone).isoformat()},{point.rate:f}\n" for point in points)
    return "".join(("start,rate\n", *rows))


@contextmanager
def alone(price_file: Path) -> Iterator[None]:
    """Be the only one that fetches into a folder, for as long as the block runs.

    Parameters
    ----------
    price_file : Path
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
    with _plain_errors(price_file):
        folder = os.open(price_file.parent, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        fcntl.flock(folder, fcntl.LOCK_EX | fcntl.LOCK_NB)
        yield
    except BlockingIOError:
        raise FetchError(
            f"{price_file}: another fetch-prices is running; wait until it has ended"
        ) from None
    finally:
        os.close(folder)


def _note(price_file: Path) -> Path:
    return price_file.with_name(f"{price_file.name}.fetched")


def _instant(text: str | None) -> datetime | None:
    return None if text is None else parse_instant(text)


@contextmanager
def _plain_errors(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise FetchError(f"{path}: it can't be written: {error.strerror}") from None
