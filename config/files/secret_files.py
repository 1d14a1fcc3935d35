"""Files that hold secrets: read only where nobody else may read or write them.

What such a file holds stands in no error: messages name the file and what is wrong with it.

A service manager may hand a secret over as a credential (systemd's LoadCredential): a copy for
this service alone, in the folder that CREDENTIALS_DIRECTORY names. A credential of the file's own
name is read in place of the file, which the service's user then need not be able to read.
"""

from __future__ import annotations

import os
import stat
from pathlib import Path

from config.files.texts import read_bytes, whole_file_fault

OTHERS = stat.S_IRWXG | stat.S_IRWXO
"""Every right of the group and of others (0077)."""

CREDENTIALS_VARIABLE = "CREDENTIALS_DIRECTORY"
"""Environment variable that names the folder of what a service manager handed over."""

_MOST_PASSWORD_BYTES = 1024
_MOST_KEY_BYTES = 64 * 1024


def read_password(path: Path) -> str:
    """Read a password: the one line of its file, without the line break at its end.

    Parameters
    ----------
    path : Path
        The file.

    Returns
    -------
    str
        At least one character.

    Raises
    ------
    FileError
        If it is missing, may be read or written by others, is empty, or is not one line of UTF-8.
    """  # noqa: DOC501, DOC502 - whole_file_fault makes it
    what = "a password file"
    path = credential_or_file(path)
    raw = read_bytes(path, what, _MOST_PASSWORD_BYTES)
    refuse_open_rights(path, what)
    try:
        lines = raw.decode("utf-8-sig").splitlines()
    except UnicodeDecodeError:
        raise whole_file_fault(path, f"expected {what}, got what is no UTF-8 text") from None
    if len(lines) > 1:
        raise whole_file_fault(path, f"expected {what} of one line, got {len(lines)}")
    if not lines or not lines[0].strip():
        raise whole_file_fault(path, f"expected {what}, got an empty one")
    return lines[0]


def credential_or_file(path: Path) -> Path:
    """Return the credential that stands in for a secret file, or else the file itself.

    Parameters
    ----------
    path : Path
        The file that the household file names.

    Returns
    -------
    Path
        Where the secret is to be read.
    """
    folder = os.environ.get(CREDENTIALS_VARIABLE)
    credential = Path(folder, path.name) if folder else path
    return credential if credential.is_file() else path


def refuse_open_key(path: Path) -> None:
    """Refuse a key file that is not there, or that others may read or write.

    Parameters
    ----------
    path : Path
        The file.

    Raises
    ------
    FileError
        If there is no such file, it can't be read, or its rights are too wide.
    """  # noqa: DOC502 - raised by the parts
    read_bytes(path, "a key file", _MOST_KEY_BYTES)
    refuse_open_rights(path, "a key file")


def refuse_open_rights(path: Path, what: str) -> None:
    """Refuse a file that its group or others may read or write, and say what to do.

    Parameters
    ----------
    path : Path
        A file that is there.
    what : str
        What it is, such as ``"a key file"``.

    Raises
    ------
    FileError
        If its rights are too wide.
    """  # noqa: DOC501, DOC502 - whole_file_fault makes it
    mode = stat.S_IMODE(path.stat().st_mode)
    if mode & _too_wide(path):
        raise whole_file_fault(
            path,
            f"expected {what} that only its owner may read or write, got the rights {mode:04o};"
            f" chmod 600 {path} puts it right",
        )


def _too_wide(path: Path) -> int:
    """Where a credential's reader is named in an access list, the group's bits show its mask."""
    folder = os.environ.get(CREDENTIALS_VARIABLE)
    is_credential = folder is not None and path.parent == Path(folder)
    return OTHERS & ~stat.S_IRGRP if is_credential else OTHERS
