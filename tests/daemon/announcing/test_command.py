"""`lullwatt announce` keeps up with its file, and ends when it is told to."""

from __future__ import annotations

import asyncio
import os
from typing import TYPE_CHECKING

from click.testing import CliRunner
from typing_extensions import override

from adapters.discovery.announcer import Announced, Announcer
from config.files.errors import UsageError
from config.household.loading import load_household
from daemon.announcing.announcing import Turns, file_reader, keep_announced
from daemon.command_line.cli import cli
from tests.config.cottage import COTTAGE

if TYPE_CHECKING:
    from pathlib import Path

HOME = "192.168.1.10"
OCPP = 'ocpp: {listen: "0.0.0.0:8887", in_the_clear: true}\n'
ANNOUNCE = "announce: {services: [ocpp], host: kowhai-cottage.local}\n"


class Told(Announcer):
    """Keeps what it was told, and tells nobody."""

    def __init__(self) -> None:
        super().__init__()
        self.all: list[tuple[Announced, ...]] = []

    @override
    async def tell(self, services: tuple[Announced, ...]) -> bool:
        self.all.append(services)
        return True


def written(path: Path, text: str) -> None:
    """Replace a file as a whole, as editors do."""
    path.with_suffix(".new").write_text(text, "utf-8")
    os.replace(path.with_suffix(".new"), path)  # noqa: PTH105 - the old path stays


def test_nothing_declared(tmp_path: Path) -> None:
    """Without the key it says what to write."""
    path = tmp_path / "house.yaml"
    written(path, COTTAGE)
    result = CliRunner().invoke(cli, ["announce", str(path)])
    assert isinstance(result.exception, UsageError)
    assert "expected a key announce at the top" in str(result.exception)


def test_it_keeps_up_with_file_and_network(tmp_path: Path) -> None:
    """A new port is announced anew; a broken file changes nothing; without a network it waits."""
    path = tmp_path / "house.yaml"
    written(path, COTTAGE + "\n" + OCPP + ANNOUNCE)
    asyncio.run(_kept_up(path))


async def _kept_up(path: Path) -> None:
    told, turns, own = Told(), Turns(), [HOME]
    looks = keep_announced(told, file_reader(path, load_household(path)), turns, lambda: tuple(own))
    ports = []
    for text in (COTTAGE + "\n" + OCPP.replace("8887", "9000") + ANNOUNCE, "no: file\n"):
        assert await anext(looks)
        ports.append(told.all[-1][0].port)
        written(path, text)
        turns.look()
    assert await anext(looks)
    ports.append(told.all[-1][0].port)
    own.clear()
    turns.look()
    assert await anext(looks) is False
    turns.stop()
    assert [each async for each in looks] == []
    assert ports == [8887, 9000, 9000]
    assert told.all[-1] == ()
