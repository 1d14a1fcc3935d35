"""Read files that hold secrets; refuse any that others may read or write.

No error shows a secret: messages name the file and what is wrong with it.

A service manager may pass on a secret as a credential (systemd's LoadCredential): a copy for this
service alone, in the folder that CREDENTIALS_DIRECTORY names. A credential with the same name as
the secret file replaces it. The service's user then needs no right to read the file itself.
"""

from __future__ import annotations

import os
import stat
from pathlib import Path

from config.files.texts import read_bytes, whole_file_fault

OTHERS = stat.S_IRWXG | stat.S_IRWXO
"""All rights of the group and of others (0077)."""

CREDENTIALS_VARIABLE = "CREDENTIALS_DIRECTORY"
"""Environment variable with the folder of the credentials from the service manager."""

_MOST_SECRET_BYTES = 1024
_MOST_KEY_BYTES = 64 * 1024


def read_password(path: Path) -> str:
    """Read a password, as `read_secret` does."""
    return read_secret(path, "a password file")


def read_secret(path: Path, kind: str) -> str:
    """Read a secret: the only line of its file, without the line break.

    Parameters
    ----------
    path : Path
        The file.
    kind : str
        What kind of file it is, such as ``"a password file"``.

    Returns
    -------
    str
        At least one character.

    Raises
    ------
    FileError
        If the file is missing, empty or not one line of UTF-8, or others may read or write it.
    """  # noqa: DOC501, DOC502 - whole_file_fault makes it
    path = credential_or_file(path)
    raw = read_bytes(path, kind, _MOST_SECRET_BYTES)
    refuse_open_rights(path, kind)
    try:
        lines = raw.decode("utf-8-sig").splitlines()
    except UnicodeDecodeError:
        raise whole_file_fault(path, f"expected {kind}, got text that is not UTF-8") from None
    if len(lines) > 1:
        raise whole_file_fault(path, f"expected {kind} of one line, got {len(lines)}")
    if not lines or not lines[0].strip():
        raise whole_file_fault(path, f"expected {kind}, got an empty one")
    return lines[0]


def credential_or_file(path: Path) -> Path:
    """Return the credential that replaces a secret file, or else the file.

    Parameters
    ----------
    path : Path
        The secret file, as the household file names it.

    Returns
    -------
    Path
        Where to read the secret.
    """
    folder = os.environ.get(CREDENTIALS_VARIABLE)
    credential = Path(folder, path.name) if folder else path
    return credential if credential.is_file() else path


def refuse_open_key(path: Path) -> None:
    """Refuse a key file that is missing, or that others may read or write.

    Parameters
    ----------
    path : Path
        The file.

    Raises
    ------
    FileError
        If the file is missing, can't be read, or has rights that are too wide.
    """  # noqa: DOC502 - raised by the parts
    read_bytes(path, "a key file", _MOST_KEY_BYTES)
    refuse_open_rights(path, "a key file")


def refuse_open_rights(path: Path, kind: str) -> None:
    """Refuse a file that its group or others may read or write, and say what to do.

    Parameters
    ----------
    path : Path
        An existing file.
    kind : str
        What kind of file it is, such as ``"a key file"``.

    Raises
    ------
    FileError
        If its rights are too wide.
    """  # noqa: DOC501, DOC502 - whole_file_fault makes it
    mode = stat.S_IMODE(path.stat().st_mode)
    if mode & _forbidden_rights(path):
        raise whole_file_fault(
            path,
            f"expected {kind} that only its owner may read or write, got the rights {mode:04o};"
            f" chmod 600 {path} puts it right",
        )


def _forbidden_rights(path: Path) -> int:
    """Return the rights of the group and of others that a secret must not have."""
    # An access list may name the reader of a credential; stat shows its mask as the group's rights.
    folder = os.environ.get(CREDENTIALS_VARIABLE)
    is_credential = folder is not None and path.parent == Path(folder)
    return OTHERS & ~stat.S_IRGRP if is_credential else OTHERS
