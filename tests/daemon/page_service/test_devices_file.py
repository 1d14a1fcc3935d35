"""The file of paired devices: whole, private, and read again when it has changed."""

from __future__ import annotations

import stat
from typing import TYPE_CHECKING

import pytest

from daemon.page.devices import Devices
from daemon.page_service.devices_file import DevicesError, DevicesFile
from tests.daemon.worlds import EVENING

if TYPE_CHECKING:
    from pathlib import Path

CODE = "K7QM2XRT9WPA"


def pair(file: DevicesFile) -> None:
    file.change(lambda devices: devices.with_offer(CODE, "ask", EVENING))

    def let_in(devices: Devices) -> Devices:
        found = devices.pair(CODE, "phone", EVENING, token="secret", new_id="1")  # noqa: S106
        assert found is not None
        return found[0].with_offer(CODE, "look", EVENING)

    file.change(let_in)


def test_what_is_written_is_read(tmp_path: Path) -> None:
    """Another process reads the same; only the owner may read it, and it holds no secret."""
    path = tmp_path / "devices.json"
    file = DevicesFile(path)
    assert file.read() == Devices()
    pair(file)
    assert DevicesFile(path).read() == file.read()
    assert file.read().of_token("secret") is not None
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert CODE not in path.read_text("utf-8")
    assert "secret" not in path.read_text("utf-8")


def test_a_change_by_another_process_is_seen(tmp_path: Path) -> None:
    """Removed on the command line, a device is out at its next request."""
    file = DevicesFile(tmp_path / "devices.json")
    pair(file)
    DevicesFile(tmp_path / "devices.json").change(lambda devices: devices.without("1"))
    assert file.read().of_token("secret") is None


def test_nothing_to_change_writes_nothing(tmp_path: Path) -> None:
    """As when a code is wrong."""
    file = DevicesFile(tmp_path / "devices.json")
    file.change(lambda _devices: None)
    assert not (tmp_path / "devices.json").exists()


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"v": 2}', '{"v": 1, "devices": [{}]}'])
def test_another_file_is_left_alone(tmp_path: Path, text: str) -> None:
    """The error says what to do."""
    path = tmp_path / "devices.json"
    path.write_text(text, "utf-8")
    with pytest.raises(DevicesError, match="delete it and pair again"):
        DevicesFile(path).change(lambda devices: devices.with_offer(CODE, "ask", EVENING))
    assert path.read_text("utf-8") == text


def test_a_folder_that_is_missing(tmp_path: Path) -> None:
    """The error names the file."""
    with pytest.raises(DevicesError, match="can't be used: No such file"):
        DevicesFile(tmp_path / "none" / "devices.json").change(lambda devices: devices)
