"""Reading a text file that a person wrote, with every way it can fail told as a `FileError`."""

from __future__ import annotations

from typing import TYPE_CHECKING

from config.files.errors import Fault, FileError

if TYPE_CHECKING:
    from pathlib import Path


def read_text(path: Path, what: str, most_bytes: int) -> str:
    """Read a UTF-8 file, without its byte order mark.

    Parameters
    ----------
    path : Path
        The file.
    what : str
        What the file was expected to be, such as ``"a household file"``.
    most_bytes : int
        A longer file is refused unread.

    Returns
    -------
    str
        The whole text.

    Raises
    ------
    FileError
        The file can't be read, is too long, or is not UTF-8.
    """  # noqa: DOC502 - raised by the parts
    return decoded(read_bytes(path, what, most_bytes), str(path))


def decoded(raw: bytes, name: str) -> str:
    """Read bytes as UTF-8; otherwise as `read_text`.

    Parameters
    ----------
    raw : bytes
        The whole text.
    name : str
        What it is called in messages.

    Returns
    -------
    str
        Without its byte order mark.

    Raises
    ------
    FileError
        It is not UTF-8.
    """
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = raw[: error.start].decode("utf-8-sig", errors="replace")
        line, column = position(before, len(before))
        message = f"expected UTF-8, got the byte 0x{raw[error.start]:02x}; save the file as UTF-8"
        raise FileError([Fault(name, line, column, message)]) from None


def printable(text: str) -> str:
    """Make a text fit for one line of any terminal: what can't be printed becomes its escape."""
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
        Index of a character in it, or its length.

    Returns
    -------
    tuple of int
        Line and column, counted from 1.
    """
    line_start = text.rfind("\n", 0, index) + 1
    return text.count("\n", 0, index) + 1, index - line_start + 1


def read_bytes(path: Path, what: str, most_bytes: int) -> bytes:
    """Read a whole file as it is; otherwise as `read_text`.

    Parameters
    ----------
    path : Path
        The file.
    what : str
        What the file was expected to be, such as ``"a password file"``.
    most_bytes : int
        A longer file is refused unread.

    Returns
    -------
    bytes
        All of it.

    Raises
    ------
    FileError
        The file can't be read or is too long.
    """  # noqa: DOC501, DOC502 - whole_file_fault makes it
    try:
        if path.exists() and not path.is_file():
            kind = "a directory" if path.is_dir() else "something else than a file"
            raise whole_file_fault(path, f"expected {what}, got {kind}")
        with path.open("rb") as file:
            raw = file.read(most_bytes + 1)
    except FileNotFoundError:
        raise whole_file_fault(path, f"expected {what}, got no such file") from None
    except PermissionError:
        raise whole_file_fault(path, f"expected {what}, got a file that may not be read") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise whole_file_fault(path, f"expected {what}, got an error: {reason}") from None
    if len(raw) > most_bytes:
        raise whole_file_fault(path, f"expected {what}, got more than {most_bytes // 1024} KiB")
    return raw


def whole_file_fault(path: Path, message: str) -> FileError:
    """Make the error of a file that is wrong as a whole: its fault stands at 1:1."""
    return FileError([Fault(str(path), 1, 1, message)])
