"""Keep secret keys in files that only their owner may read, and make each once."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Final

from config.files.errors import SealError
from config.files.secret_files import refuse_open_rights
from config.files.texts import read_bytes

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

_ONLY_OWNER: Final = 0o600
_NEW_FILE: Final = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
_MOST_BYTES: Final = 4096


def read_or_make_key(path: Path, kind: str, make: Callable[[], bytes]) -> tuple[bytes, bool]:
    """Read a key file, or make it if there is none.

    Parameters
    ----------
    path : Path
        The file.
    kind : str
        What kind of file it is, such as ``"a household's signing key"``.
    make : callable
        Makes the content of a new file.

    Returns
    -------
    content : bytes
        What the file holds.
    is_new : bool
        Whether it was made now.

    Raises
    ------
    SealError
        If it can't be made.
    FileError
        If it can't be read, or others may read it.
    """  # noqa: DOC502 - the readers raise the second
    if path.exists():
        return read_key(path, kind), False
    content = make()
    # It gets its name complete: a file that was cut short would be no key, and hide the loss.
    part = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        with os.fdopen(os.open(part, _NEW_FILE, _ONLY_OWNER), "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        try:
            os.link(part, path)  # fails if another process was faster
        except PermissionError:  # a file system without links, such as that of a memory stick
            part.rename(path)
        else:
            part.unlink()
    except FileExistsError:
        part.unlink(missing_ok=True)
        return read_key(path, kind), False
    except OSError as error:
        part.unlink(missing_ok=True)
        raise SealError(f"{path}: {kind} can't be written: {error.strerror}") from error
    return content, True


def read_key(path: Path, kind: str) -> bytes:
    """Read a key file; a `FileError` says if it is missing, or if others may read it."""
    raw = read_bytes(path, kind, _MOST_BYTES)
    refuse_open_rights(path, kind)
    return raw
