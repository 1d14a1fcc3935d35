"""Tests of replacing a file as a whole: no half file, no litter, no link followed."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from adapters.host.whole_file import replacing


@pytest.fixture
def path(tmp_path: Path) -> Path:
    folder = tmp_path / "folder"
    folder.mkdir()
    return folder / "file"


def write(path: Path, text: bytes) -> None:
    with replacing(path) as part:
        part.file.write(text)


def test_the_old_file_stays_until_the_new_one_is_complete(path: Path) -> None:
    write(path, b"old")
    with replacing(path) as part:
        part.file.write(b"new")
        part.file.flush()
        assert (path.read_bytes(), part.path.read_bytes()) == (b"old", b"new")
    assert path.read_bytes() == b"new"
    assert list(path.parent.iterdir()) == [path]


def test_an_error_replaces_nothing_and_leaves_nothing(path: Path) -> None:
    write(path, b"old")
    with pytest.raises(ZeroDivisionError), replacing(path):
        raise ZeroDivisionError
    assert path.read_bytes() == b"old"
    assert list(path.parent.iterdir()) == [path]


def test_what_a_killed_program_left_is_replaced(path: Path) -> None:
    path.with_name("file.part").write_bytes(b"half")
    write(path, b"new")
    assert path.read_bytes() == b"new"


@pytest.mark.parametrize("name", ["file", "file.part"])
def test_a_link_in_its_place_is_not_followed(path: Path, tmp_path: Path, name: str) -> None:
    """Somebody who may write to the folder must not choose which file is overwritten."""
    secret = tmp_path / "secret"
    secret.write_bytes(b"secret")
    secret.chmod(0o600)
    path.with_name(name).symlink_to(secret)
    write(path, b"new")
    assert (secret.read_bytes(), secret.stat().st_mode & 0o777) == (b"secret", 0o600)
    assert path.read_bytes() == b"new"
    assert not path.is_symlink()


def test_a_link_that_appears_in_between_is_refused(
    path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is made after the old part was deleted, and before the new one is made."""
    secret = tmp_path / "secret"
    secret.write_bytes(b"secret")
    real_unlink = Path.unlink

    def unlink_and_link(part: Path, missing_ok: bool = False) -> None:  # noqa: FBT001, FBT002
        real_unlink(part, missing_ok=missing_ok)
        monkeypatch.undo()
        part.symlink_to(secret)

    monkeypatch.setattr(Path, "unlink", unlink_and_link)
    with pytest.raises(FileExistsError):
        write(path, b"new")
    assert secret.read_bytes() == b"secret"
    assert not path.exists()


def test_it_has_the_rights_of_any_new_file(path: Path) -> None:
    before = os.umask(0o027)
    try:
        write(path, b"new")
    finally:
        os.umask(before)
    assert path.stat().st_mode & 0o777 == 0o640
