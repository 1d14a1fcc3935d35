"""Which secret files are refused, and that no error shows a secret."""

from __future__ import annotations

from pathlib import Path

import pytest

from config.files.errors import FileError
from config.files.secret_files import read_password, refuse_open_key

SECRET = "planted-Weka7"  # noqa: S105 - planted, to be looked for


def written(directory: Path, raw: bytes, mode: int = 0o600) -> Path:
    path = directory / "mqtt"
    path.write_bytes(raw)
    path.chmod(mode)
    return path


def refused(path: Path) -> str:
    with pytest.raises(FileError) as caught:
        read_password(path)
    [fault] = caught.value.faults
    assert (fault.file, fault.line, fault.column) == (str(path), 1, 1)
    assert SECRET not in repr(caught.value) + str(caught.value.__cause__)
    return fault.message


@pytest.mark.parametrize("end", ["", "\n", "\r\n"])
@pytest.mark.parametrize("mode", [0o600, 0o400])
def test_one_line_that_is_its_owner_s_alone(tmp_path: Path, end: str, mode: int) -> None:
    """The line break at the end is not part of the password; blanks and colons are."""
    path = written(tmp_path, f" {SECRET}: é{end}".encode(), mode)
    assert read_password(path) == f" {SECRET}: é"


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o620, 0o602, 0o610, 0o644, 0o666, 0o777, 0o660])
def test_rights_that_are_too_wide(tmp_path: Path, mode: int) -> None:
    """Any right of the group or of others is too much; the message says what to do."""
    path = written(tmp_path, SECRET.encode(), mode)
    message = refused(path)
    assert message == (
        f"expected a password file that only its owner may read or write, got the rights {mode:04o}"
        f"; chmod 600 {path} puts it right"
    )
    path.chmod(0o600)
    assert read_password(path) == SECRET


@pytest.mark.parametrize(
    ("raw", "wanted"),
    [
        (b"", "expected a password file, got an empty one"),
        (b"\n", "expected a password file, got an empty one"),
        (b"  \n", "expected a password file, got an empty one"),
        (f"{SECRET}\nmore\n".encode(), "expected a password file of one line, got 2"),
        (f"\n{SECRET}\n".encode(), "expected a password file of one line, got 2"),
        (f"{SECRET}\n\n".encode(), "expected a password file of one line, got 2"),
        (SECRET.encode() + b"\xff", "expected a password file, got text that is not UTF-8"),
        (SECRET.encode("utf-16"), "expected a password file, got text that is not UTF-8"),
        (SECRET.encode() * 100, "expected a password file, got more than 1 KiB"),
    ],
)
def test_what_is_no_password(tmp_path: Path, raw: bytes, wanted: str) -> None:
    """Empty, of several lines, or no text: refused, and nothing of it is shown."""
    assert refused(written(tmp_path, raw)) == wanted


def test_what_is_not_there(tmp_path: Path) -> None:
    """A missing file, and a directory in its place."""
    assert refused(tmp_path / "nowhere") == "expected a password file, got no such file"
    assert refused(tmp_path) == "expected a password file, got a directory"


def test_a_key_that_others_may_read(tmp_path: Path) -> None:
    """A key file follows the same rules."""
    path = written(tmp_path, SECRET.encode(), 0o644)
    with pytest.raises(FileError, match="expected a key file that only its owner may read"):
        refuse_open_key(path)
    with pytest.raises(FileError, match="expected a key file, got no such file"):
        refuse_open_key(tmp_path / "nowhere")
    path.chmod(0o600)
    refuse_open_key(path)
