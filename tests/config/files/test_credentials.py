"""Credentials from a service manager replace the secret files that the household file names.

systemd.exec(5), "CREDENTIALS": the folder is named by CREDENTIALS_DIRECTORY. Which rights a file
has there depends on the file system below it: on a ramfs it is its reader's own with 0400, on a
tmpfs root's with an access list for the reader, which stat shows as 0440 (acl(5): the group's bits
are its mask then).
"""

from __future__ import annotations

from pathlib import Path

import pytest

from config.files.errors import FileError
from config.files.secret_files import (
    CREDENTIALS_VARIABLE,
    credential_or_file,
    read_password,
    refuse_open_key,
)

SECRET = "planted-Tui3"  # noqa: S105 - planted, to be looked for


@pytest.fixture
def credentials(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "credentials"
    folder.mkdir()
    monkeypatch.setenv(CREDENTIALS_VARIABLE, str(folder))
    return folder


def write(path: Path, text: str, mode: int) -> Path:
    path.write_text(text, "utf-8")
    path.chmod(mode)
    return path


@pytest.mark.parametrize("mode", [0o400, 0o440, 0o600])
def test_a_credential_stands_in_for_its_namesake(
    tmp_path: Path, credentials: Path, mode: int
) -> None:
    """It is read with the rights that service managers give, and the file need not be there."""
    write(credentials / "daemon", f"{SECRET}\n", mode)
    assert read_password(tmp_path / "accounts" / "daemon") == SECRET
    refuse_open_key(credential_or_file(tmp_path / "accounts" / "daemon"))


def test_other_files_are_read_where_they_are(tmp_path: Path, credentials: Path) -> None:
    """Without a credential of its name the file itself is read, by the stricter rule."""
    write(credentials / "daemon", "another", 0o400)
    path = write(tmp_path / "people", SECRET, 0o600)
    assert credential_or_file(path) == path
    assert read_password(path) == SECRET
    path.chmod(0o640)
    with pytest.raises(FileError, match="only its owner may read or write"):
        read_password(path)


@pytest.mark.parametrize("mode", [0o444, 0o460, 0o604, 0o644, 0o620])
def test_a_credential_with_wider_rights_is_refused(credentials: Path, mode: int) -> None:
    """Rights beyond those of a reader in an access list are too much."""
    path = write(credentials / "daemon", SECRET, mode)
    with pytest.raises(FileError, match="only its owner may read or write"):
        read_password(path)


def test_without_a_service_manager_nothing_changes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without a folder of credentials the file itself is read."""
    monkeypatch.delenv(CREDENTIALS_VARIABLE, raising=False)
    path = write(tmp_path / "daemon", SECRET, 0o600)
    assert credential_or_file(path) == path
    assert read_password(path) == SECRET
