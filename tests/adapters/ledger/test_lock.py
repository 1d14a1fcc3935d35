"""A ledger has one daemon, whatever its file is called and however the last daemon ended."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from adapters.ledger.ledger import open_ledger
from adapters.ledger.lock import lock_ledger
from config.files.errors import LedgerError

ROOT = Path(__file__).parents[3]
HOLDER = """
import sys
from pathlib import Path
from adapters.ledger.lock import lock_ledger
with lock_ledger(Path(sys.argv[1])):
    print("held", flush=True)
    sys.stdin.read()
"""


def hold(path: Path) -> subprocess.Popen[str]:
    """Let another process hold the lock."""
    holder = subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(path)],
        cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert holder.stdout is not None
    assert holder.stdout.readline() == "held\n"
    return holder


@pytest.mark.parametrize("by", ["its name", "a link", "a linked directory"])
def test_the_second_is_refused_with_the_process_of_the_first(tmp_path: Path, by: str) -> None:
    """Every link to the file leads to the same lock; the file need not exist yet."""
    home = tmp_path / "home"
    home.mkdir()
    path = home / "ledger.sqlite3"
    (tmp_path / "linked").symlink_to(home)
    (tmp_path / "other.sqlite3").symlink_to(path)
    names = {
        "its name": path,
        "a link": tmp_path / "other.sqlite3",
        "a linked directory": tmp_path / "linked" / "ledger.sqlite3",
    }
    with hold(path) as first:
        with (
            pytest.raises(LedgerError, match=rf"another daemon \(process {first.pid}\)"),
            lock_ledger(names[by]),
        ):
            pass
        first.kill()
        first.wait()
    with lock_ledger(names[by]):
        assert (home / "ledger.sqlite3.lock").read_text() == f"{os.getpid()}\n"
    assert not (home / "ledger.sqlite3.lock").exists()


def test_the_lock_of_a_killed_daemon_is_free(tmp_path: Path) -> None:
    """The kernel releases the lock with the process: the remaining file blocks nobody."""
    path = tmp_path / "ledger.sqlite3"
    for _ in range(3):
        with hold(path) as first:
            first.send_signal(signal.SIGKILL)
            first.wait()
        assert path.with_name("ledger.sqlite3.lock").exists()
    with lock_ledger(path):
        pass


def test_a_lock_keeps_no_file_open_once_it_is_released(tmp_path: Path) -> None:
    """Nor does one that was refused."""
    path = tmp_path / "ledger.sqlite3"

    def opened() -> int:
        files = [each.resolve() for each in Path("/proc/self/fd").iterdir()]
        return sum(file.is_relative_to(tmp_path) for file in files)

    with lock_ledger(path):
        with pytest.raises(LedgerError), lock_ledger(path):
            pass
        assert opened() == 1
    assert opened() == 0


def test_readers_and_copies_are_not_kept_out(tmp_path: Path) -> None:
    """Reading needs no lock."""
    path = tmp_path / "ledger.sqlite3"
    with lock_ledger(path), open_ledger(path), open_ledger(path, read_only=True) as reader:
        assert reader.nights() == ()


def test_links_that_lead_in_a_circle_are_refused_in_words(tmp_path: Path) -> None:
    one, two = tmp_path / "one", tmp_path / "two"
    one.symlink_to(two)
    two.symlink_to(one)
    refused = "one: the ledger can't be used: Too many levels of symbolic links"
    with pytest.raises(LedgerError, match=refused), lock_ledger(one):
        open_ledger(one)


def test_a_link_in_its_place_is_not_followed(tmp_path: Path) -> None:
    """The lock is emptied when it is taken: a link must not choose which file that is."""
    other = tmp_path / "notes"
    other.write_text("kept")
    path = tmp_path / "ledger.sqlite3"
    path.with_name("ledger.sqlite3.lock").symlink_to(other)
    with pytest.raises(LedgerError, match=r"ledger\.sqlite3"), lock_ledger(path):
        pass
    assert other.read_text() == "kept"


def test_no_lock_is_left_where_there_is_no_place_for_a_ledger(tmp_path: Path) -> None:
    """A missing directory is reported, as when the ledger is opened."""
    with (
        pytest.raises(LedgerError, match="does not exist"),
        lock_ledger(tmp_path / "nowhere" / "ledger.sqlite3"),
    ):
        pass
    assert list(tmp_path.iterdir()) == []
