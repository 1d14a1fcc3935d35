"""The page follows its household file, and keeps the old one while the new one has faults."""

from __future__ import annotations

from typing import TYPE_CHECKING

from structlog.testing import capture_logs

from daemon.page_service.house_watch import LOOKS_EVERY_SECONDS, READS_EVERY_SECONDS, HouseWatch
from tests.daemon.worlds import KOWHAI

if TYPE_CHECKING:
    from pathlib import Path


def test_a_changed_file(tmp_path: Path) -> None:
    """It is read again, but looked at only every ten seconds; faults are logged."""
    path, seconds = tmp_path / "house.yaml", [0.0]
    text = KOWHAI.read_text("utf-8")
    path.write_text(text, "utf-8")
    watch = HouseWatch(path, lambda: seconds[0])
    first = watch.house()
    path.write_text(text.replace("usable_kwh: 52", "usable_kwh: 520"), "utf-8")
    seconds[0] = LOOKS_EVERY_SECONDS - 1
    assert watch.house() is first
    seconds[0] = LOOKS_EVERY_SECONDS
    with capture_logs():
        second = watch.house()
    path.write_text("nonsense", "utf-8")
    seconds[0] *= 2
    with capture_logs() as logs:
        assert watch.house() is second
        seconds[0] *= 2
        assert watch.house() is second
    assert [entry["log_level"] for entry in logs] == ["warning"]
    path.write_text(text, "utf-8")
    seconds[0] *= 2
    assert watch.house().file == first.file
    path.unlink()
    seconds[0] += READS_EVERY_SECONDS
    with capture_logs():
        assert watch.house().file == first.file


def test_the_page_signs_in_as_a_person(tmp_path: Path) -> None:
    """With its own account, the daemon's is never used."""
    path = tmp_path / "house.yaml"
    page = (
        "\npage: {listen: '127.0.0.1:8480', devices_file: devices.json,"
        " username: people, password_file: people}\n"
    )
    path.write_text(KOWHAI.read_text("utf-8") + page, "utf-8")
    bus = HouseWatch(path).house().file.bus
    assert (bus.username, bus.password_file) == ("people", tmp_path / "people")
