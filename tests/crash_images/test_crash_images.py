"""After a power cut the ledger opens, and holds all that was said to be recorded."""

from __future__ import annotations

from pathlib import Path

import pytest

from adapters.ledger.file import open_file
from config.files.errors import LedgerError
from tests.crash_images import disk
from tests.crash_images.__main__ import play
from tests.crash_images.disk import Disk, images
from tests.crash_images.judging import fault_of, history
from tests.crash_images.recording import Cut, Deed, Made, Removed, Said, Synced, Wrote, run_recorded
from tests.crash_images.steps import NAME


@pytest.fixture
def few(monkeypatch: pytest.MonkeyPatch) -> None:
    """Make some images of each kind; `make crash-images` makes many more."""
    for name in ("SUBSETS", "TORN", "MOST_PREFIXES"):
        monkeypatch.setattr(disk, name, 5)


@pytest.mark.usefixtures("few")
def test_a_new_ledger_survives_every_cut() -> None:
    """From its first byte on: a command, a reading, a plan, in several transactions."""
    verdict = play({}, 3)
    assert verdict.wrong == []
    assert {"nothing", "all", "prefix", "one missing", "subset", "torn"} == set(verdict.images)


@pytest.mark.usefixtures("few")
def test_what_is_not_synced_is_found_to_be_lost() -> None:
    """The check above can fail: without syncs, steps that were said to be done are missing."""
    assert any("it holds what transaction" in each for each in play({}, 1, fault="loose").wrong)


def test_a_first_page_without_its_beginning_is_taken_back(tmp_path: Path) -> None:
    """A cut while the first page is written leaves no ledger that the daemon refuses for ever."""
    folder = tmp_path / "ledger"
    folder.mkdir()
    deeds = run_recorded("tests.crash_images.steps", [str(folder), "0", ""], folder, tmp_path / "t")
    page = next(n for n, each in enumerate(deeds) if isinstance(each, Wrote) and each.name == NAME)
    torn = [*deeds[:page], Wrote(NAME, 512, b"\xff" * 512), Synced(NAME)]
    *_, image = (each for each in images(torn, {}, seed=1) if len(each.files.get(NAME, b"")) > 512)
    assert image.files[NAME][:512] == bytes(512)
    assert f"{NAME}-journal" in image.files
    assert fault_of(image, history({}, 1)) is None


def test_what_a_cut_may_leave() -> None:
    """By hand: one file synced at 4 bytes, then cut to 2, written at 3, and removed.

    A sync keeps content and a sync of the folder names; of what comes after, anything may be there.
    """
    deeds: list[Deed] = [
        Made("a"), Wrote("a", 0, b"1234"), Synced("a"), Synced(""), Said(1),
        Cut("a", 2), Wrote("a", 3, b"x"), Removed("a"),
    ]  # fmt: skip
    left = {
        (image.steps, *image.files.values())
        for image in images(deeds, {}, seed=1)
        if image.steps == 1
    }
    assert left == {(1,), (1, b"1234"), (1, b"12"), (1, b"123x"), (1, b"12\0x")}


def test_a_write_is_torn_where_sectors_end() -> None:
    """A write over the end of a sector may come in part."""
    deeds: list[Deed] = [Made("a"), Synced(""), Wrote("a", 510, b"abcd"), Synced("a")]
    left = {image.files["a"] for image in images(deeds, {}, seed=1) if image.kind == "torn"}
    assert left >= {bytes(510) + b"ab", bytes(512) + b"cd"}


def test_a_name_follows_its_file() -> None:
    """A file that was removed and made again is another one."""
    known = Disk(names={"a": 0}, contents={0: bytearray(b"old"), 1: bytearray(b"new")})
    known.renamed = [("a", None), ("a", 1)]
    assert known.number_of("a") == 1
    assert known.files([], []) == {"a": b"old"}
    assert known.files(known.renamed[:1], []) == {}


def test_only_a_file_that_nobody_began_is_taken_back(tmp_path: Path) -> None:
    """A journal beside another program's file gives nobody a right to it."""
    path = tmp_path / NAME
    path.write_bytes(b"another program's own".ljust(4096))
    Path(f"{path}-journal").write_bytes(b"")
    with pytest.raises(LedgerError, match="not a database"):
        open_file(path)
    assert path.read_bytes().rstrip() == b"another program's own"
