"""Read text files that people wrote, or raise a `FileError`; tell when a file has changed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from config.files.errors import Fault, FileError

if TYPE_CHECKING:
    from pathlib import Path


def read_text(path: Path, kind: str, most_bytes: int) -> str:
    """Read a UTF-8 file, without its byte order mark.

    Parameters
    ----------
    path : Path
        The file.
    kind : str
        The kind of file that is expected, such as ``"a household file"``.
    most_bytes : int
        The size limit; a larger file is refused unread.

    Returns
    -------
    str
        The whole text.

    Raises
    ------
    FileError
        The file can't be read, is too long, or is not UTF-8.
    """  # noqa: DOC502 - raised by the parts
    return decoded(read_bytes(path, kind, most_bytes), str(path))


def decoded(raw: bytes, name: str) -> str:
    """Decode a whole text as UTF-8, without its byte order mark.

    Parameters
    ----------
    raw : bytes
        The text as it was read.
    name : str
        Its name in messages.

    Returns
    -------
    str
        The whole text.

    Raises
    ------
    FileError
        The text is not UTF-8.
    """
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = raw[: error.start].decode("utf-8-sig", errors="replace")
        line, column = position(before, len(before))
        message = f"expected UTF-8, got the byte 0x{raw[error.start]:02x}; save the file as UTF-8"
        raise FileError([Fault(name, line, column, message)]) from None


def printable(text: str) -> str:
    """Make a text fit on one line of any terminal, with escapes if need be."""
    return "".join(
        each if each.isprintable() else each.encode("unicode_escape").decode("ascii")
        for each in text
    )


def position(text: str, index: int) -> tuple[int, int]:
    """Turn an index into a text into a line and a column.

    Parameters
    ----------
    text : str
        The text.
    index : int
        Index of a character, or the length of the text.

    Returns
    -------
    tuple of int
        Line and column, counted from 1.
    """
    line_start = text.rfind("\n", 0, index) + 1
    return text.count("\n", 0, index) + 1, index - line_start + 1


def read_bytes(path: Path, kind: str, most_bytes: int) -> bytes:
    """Read the bytes of a file, up to a size limit.

    Parameters
    ----------
    path : Path
        The file.
    kind : str
        The kind of file that is expected, such as ``"a password file"``.
    most_bytes : int
        The size limit; a larger file is refused unread.

    Returns
    -------
    bytes
        The whole content.

    Raises
    ------
    FileError
        The file can't be read or is too long.
    """  # noqa: DOC501, DOC502 - whole_file_fault makes it
    try:
        if path.exists() and not path.is_file():
            got = "a directory" if path.is_dir() else "something other than a file"
            raise whole_file_fault(path, f"expected {kind}, got {got}")
        with path.open("rb") as file:
            raw = file.read(most_bytes + 1)
    except FileNotFoundError:
        raise whole_file_fault(path, f"expected {kind}, got no such file") from None
    except PermissionError:
        raise whole_file_fault(path, f"expected {kind}, got a file that may not be read") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise whole_file_fault(path, f"expected {kind}, got an error: {reason}") from None
    if len(raw) > most_bytes:
        raise whole_file_fault(path, f"expected {kind}, got more than {most_bytes // 1024} KiB")
    return raw


def whole_file_fault(path: Path, message: str) -> FileError:
    """Make the error for a file that is wrong as a whole: its fault is at 1:1."""
    return FileError([Fault(str(path), 1, 1, message)])


Stamp = tuple[int, int, int]
"""What changes when a file is written or replaced."""


def stamp_of(path: Path) -> Stamp | None:
    """Return a file's time of change, number and size; None if it can't be had."""
    try:
        stat = path.stat()
    except OSError:
        return None
    return stat.st_mtime_ns, stat.st_ino, stat.st_size
