"""README, DEVELOPERS.md and the examples against what is really there."""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
import tomllib
from collections.abc import Callable
from importlib.resources import files
from itertools import chain
from pathlib import Path
from subprocess import PIPE

import click
import pytest

from adapters.contract.messages import VehicleReport, decode
from daemon.command_line.cli import cli
from tests.support.brokers import Mosquitto
from tests.support.waiting import wait_until

ROOT = Path(__file__).parents[3]
README = (ROOT / "README.md").read_text("utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text("utf-8")
HOUSEHOLD = ROOT / "config" / "HOUSEHOLD.md"
PAGES = (
    ROOT / "README.md",
    ROOT / "DEVELOPERS.md",
    HOUSEHOLD,
    *sorted((ROOT / "deploy").glob("*.md")),
)


def commands() -> set[str]:
    """List every command of the command line, with its group."""
    found = set()
    for name, command in cli.commands.items():
        if isinstance(command, click.Group):
            found |= {f"{name} {inner}" for inner in command.commands}
        else:
            found.add(name)
    return found


def test_the_readme_lists_every_command() -> None:
    """The table of commands is the command line's own list."""
    rows = re.findall(r"^\| `lullwatt ([^`]+)` \|", README, re.MULTILINE)
    assert {re.split(r" [\[F]", row)[0] for row in rows} == commands()


def test_the_readme_lists_every_option() -> None:
    """Each option of each command stands in its row, and no other."""
    for row in re.findall(r"^\| `lullwatt ([^`]+)` \|", README, re.MULTILINE):
        name, *inner = re.split(r" [\[F]", row)[0].split()
        command = cli.commands[name]
        if inner and isinstance(command, click.Group):
            command = command.commands[inner[0]]
        options = {option.opts[0] for option in command.params if isinstance(option, click.Option)}
        assert set(re.findall(r"--[a-z-]+", row)) == options, row


def test_the_map_names_every_room_and_no_other() -> None:
    """The table of rooms in the contributor guide is the house as it stands."""
    floors = ("config", "planners", "adapters", "daemon")
    rooms = {
        str(path.parent.relative_to(ROOT))
        for floor in floors
        for path in ROOT.glob(f"{floor}/*/*.py")
    }
    table = DEVELOPERS[: DEVELOPERS.index("### Three ways")]
    assert set(re.findall(r"`((?:config|planners|adapters|daemon)/[a-z_]+)`", table)) == rooms


def test_the_ways_through_the_house_exist() -> None:
    """Every file that the three ways name is there."""
    ways = DEVELOPERS[
        DEVELOPERS.index("### Three ways") : DEVELOPERS.index("`daemon/service/service.py`")
    ]
    steps = set(re.findall(r"(?<![\w/…])([a-z_]+/[a-z_]+)\b", ways))
    assert len(steps) > 15
    for step in steps:
        assert list(ROOT.glob(f"*/{step}.py")), step


def test_the_developers_page_names_every_dependency() -> None:
    """Each dependency has its reason."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    extras = project["optional-dependencies"].values()
    for requirement in chain(project["dependencies"], *extras):
        [name] = re.findall(r"^[A-Za-z-]+", requirement)
        assert name in DEVELOPERS or (name.startswith("types-") and "types-*" in DEVELOPERS), name


def test_the_readme_household_is_accepted(tmp_path: Path) -> None:
    """The household file that the README explains is one."""
    from config.household.loading import load_household  # noqa: PLC0415 - only here

    [text] = re.findall(r"```yaml\n(household:.*?)```", README, re.DOTALL)
    path = tmp_path / "house.yaml"
    path.write_text(text, "utf-8")
    assert load_household(path).household.name == "Kowhai Cottage"


LINKS = sorted(
    {
        (page.relative_to(ROOT).as_posix(), link)
        for page in PAGES
        for link in re.findall(r"\]\(([^)#:]+)\)", page.read_text("utf-8"))
    }
)


@pytest.mark.parametrize(("page", "link"), LINKS)
def test_links_lead_somewhere(page: str, link: str) -> None:
    """Each file that a page points to is there."""
    assert ((ROOT / page).parent / link).exists()


def test_the_broker_configuration_is_one(make_mosquitto: Callable[..., Mosquitto]) -> None:
    """Mosquitto starts with what deploy/mosquitto.conf says, on another port."""
    lines = (ROOT / "deploy" / "mosquitto.conf").read_text("utf-8").splitlines()
    settings = [
        line
        for line in lines
        if line
        and not line.startswith(
            ("#", "listener", "persistence", "autosave", "max_queued", "set_tcp")
        )
    ]
    assert "persistence true" in lines
    assert "listener 1883 127.0.0.1" in lines
    broker = make_mosquitto(*settings)
    broker.start()
    assert broker.running


def test_the_page_of_the_bus_plays_the_hardware(
    make_mosquitto: Callable[..., Mosquitto],
) -> None:
    """What its second command says, its first one prints, and the daemon understands."""
    page = (ROOT / "deploy" / "BUS.md").read_text("utf-8")
    [block] = re.findall(r"```\n(mosquitto_sub.*?)```", page, re.DOTALL)
    listen, say = (shlex.split(line) for line in block.replace("\\\n", "").splitlines())
    broker = make_mosquitto()
    broker.start()
    port = ["-p", str(broker.port)]
    with subprocess.Popen([*listen, *port, "-C", "1", "-W", "20"], stdout=PIPE, text=True) as heard:

        def is_heard() -> bool:
            subprocess.run([*say, *port], check=True)
            return heard.poll() is not None

        wait_until(is_heard)
        assert heard.stdout is not None
        topic, _, payload = heard.stdout.read().partition(" ")
    assert topic == "lullwatt/kowhai-cottage/driveway/vehicle"
    assert decode(VehicleReport, payload.encode()).soc_percent == 35


def test_the_examples_are_shipped() -> None:
    """The demo household is found in an installed package too."""
    assert files("config").joinpath("examples", "kowhai.yaml").is_file()


def printed_by(start: str) -> tuple[list[str], str]:
    """Find the command that a page names above a block, and the block."""
    text = README + HOUSEHOLD.read_text("utf-8")
    [(command, block)] = re.findall(
        rf"<!-- printed by: lullwatt ({start}[^>]*?) -->\n```\n(.*?)```", text, re.DOTALL
    )
    return command.split(), block


@pytest.mark.parametrize("start", ["rehearse", "plan", "tariff"])
def test_pages_show_what_is_really_printed(start: str) -> None:
    """A block that a page says a command prints is what it prints."""
    command, block = printed_by(start)
    printed = subprocess.run(
        [Path(sys.executable).with_name("lullwatt"), *command],
        cwd=ROOT,
        check=True,
        capture_output=True,
        text=True,
    ).stdout
    assert [line.rstrip() for line in printed.rstrip().splitlines()] == block.rstrip().splitlines()


def test_the_readme_shows_faults_as_they_are_worded(tmp_path: Path) -> None:
    """The faults in the README are those of the demo household with the same three slips."""
    text = files("config").joinpath("examples", "kowhai.yaml").read_text("utf-8")
    for good, slip in [
        ("rate: 0.168", "rate: twelve"),
        ("need_percent: 60,", "need_procent: 60,"),
        ("Pacific/Auckland ", "Pacific/Aukland "),
    ]:
        text = text.replace(good, slip)
    (tmp_path / "house.yaml").write_text(text, "utf-8")
    checked = subprocess.run(
        [Path(sys.executable).with_name("lullwatt"), "check", "house.yaml"],
        cwd=tmp_path,
        check=False,
        capture_output=True,
        text=True,
    )
    assert checked.returncode == 2
    assert checked.stderr in README


def test_make_says_what_a_stock_debian_lacks(tmp_path: Path) -> None:
    """Without the venv module one line names the package, and nothing is left half made."""
    python, made = tmp_path / "python3", tmp_path / "environment"
    python.write_text('#!/bin/sh\ncase "$*" in *ensurepip*) exit 1 ;; esac\n')
    python.chmod(0o755)
    ran = subprocess.run(
        ["make", "-C", ROOT, f"{made}/bin/python", f"PYTHON={python}", f"VENV={made}"],
        check=False, capture_output=True, text=True, env=os.environ | {"MAKEFLAGS": ""},
    )  # fmt: skip
    assert ran.returncode == 2
    [line, _makes_own] = ran.stderr.splitlines()
    assert line.endswith("sudo apt-get install python3-venv")
    assert line.removeprefix("Python lacks its venv module. Install it first: ") in README
    assert not made.exists()
