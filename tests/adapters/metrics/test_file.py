"""The metrics file: always complete, deleted at the end, and never replacing another file."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from adapters.metrics.families import Family
from adapters.metrics.file import MetricsFile, refuse_file
from adapters.metrics.page import page
from config.files.errors import MetricsError
from tests.support.waiting import wait_until


def figures(value: float, count: int = 1) -> tuple[Family, ...]:
    return tuple(Family(f"lullwatt_{n}", "gauge", "X.", (({}, value),)) for n in range(count))


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "figures.prom"


@pytest.fixture
def file(path: Path) -> Iterator[MetricsFile]:
    made = MetricsFile(path)
    made.start()
    yield made
    made.stop()


def test_it_is_complete_whenever_it_is_read(file: MetricsFile, path: Path) -> None:
    """However often it is replaced, a reader finds one complete page."""
    file.update(figures(0, 300))
    wait_until(path.exists, what="it is written")
    pages = {page(figures(value, 300)) for value in range(50)}
    seen = set()
    for value in range(50):
        file.update(figures(value, 300))
        seen |= {path.read_bytes() for _ in range(5)}
    assert seen <= pages
    wait_until(lambda: path.read_bytes() == page(figures(49, 300)), what="the newest is written")
    assert [each.name for each in path.parent.iterdir()] == [path.name]


def test_it_is_deleted_at_the_end(path: Path) -> None:
    """Its values are no longer true then."""
    file = MetricsFile(path)
    file.start()
    file.update(figures(1))
    wait_until(path.exists, what="it is written")
    file.stop()
    assert not path.exists()


def test_a_collector_may_read_it(path: Path) -> None:
    """A collector is another user's program, and a service's files are private by default."""
    before = os.umask(0o077)
    try:
        file = MetricsFile(path)
        file.start()
        file.update(figures(1))
        wait_until(path.exists, what="it is written")
        assert path.stat().st_mode & 0o777 == 0o644
        file.stop()
    finally:
        os.umask(before)


def test_an_old_metrics_file_is_replaced(path: Path) -> None:
    """A killed daemon may have left one."""
    path.write_bytes(page(figures(1)))
    refuse_file(path)
    path.write_bytes(page([]))
    refuse_file(path)


@pytest.mark.parametrize("held", [b"household:\n", b"SQLite format 3\0", b"# notes\n", b"# EOF\nx"])
def test_another_file_is_left_alone(path: Path, held: bytes) -> None:
    """A typing error in the household file must not overwrite the ledger."""
    path.write_bytes(held)
    with pytest.raises(MetricsError, match="this is another file"):
        MetricsFile(path).start()
    assert path.read_bytes() == held


def test_a_folder_is_left_alone(path: Path) -> None:
    """A folder is not a metrics file."""
    path.mkdir()
    with pytest.raises(MetricsError, match="this is another file"):
        refuse_file(path)


def test_a_missing_folder_is_reported(path: Path) -> None:
    """The error comes before the start."""
    with pytest.raises(MetricsError, match=r"the folder of the metrics file .* does not exist"):
        refuse_file(path.parent / "missing" / "figures.prom")


def test_a_folder_that_anybody_may_change_is_refused(path: Path) -> None:
    """Otherwise any user could put another file in its place; in a folder as /tmp nobody can."""
    path.parent.chmod(0o777)
    with pytest.raises(MetricsError, match=r"everybody may write to the folder .*: chmod o-w "):
        MetricsFile(path).start()
    path.parent.chmod(0o1777)
    refuse_file(path)


def test_a_link_in_its_place_overwrites_nothing(path: Path, tmp_path: Path) -> None:
    """Nor does it change the rights of the file to which it leads."""
    secret = tmp_path.parent / f"{tmp_path.name}-secret"
    secret.write_bytes(b"secret")
    secret.chmod(0o600)
    path.with_name(f"{path.name}.part").symlink_to(secret)
    file = MetricsFile(path)
    file.start()
    file.update(figures(1))
    wait_until(path.exists, what="it is written")
    file.stop()
    assert (secret.read_bytes(), secret.stat().st_mode & 0o777) == (b"secret", 0o600)


def test_it_survives_a_failing_disk(file: MetricsFile, path: Path) -> None:
    """The failure is logged once, and the next update tries again."""
    part = path.with_name(f"{path.name}.part")
    part.mkdir()
    with capture_logs() as logs:
        file.update(figures(1))
        wait_until(lambda: logs, what="a log line")
        file.update(figures(2))
        file.update(figures(3))
    assert [log["event"] for log in logs] == ["the metrics file can't be written"]
    part.rmdir()
    file.update(figures(4))
    wait_until(lambda: path.exists() and path.read_bytes() == page(figures(4)), what="written")
