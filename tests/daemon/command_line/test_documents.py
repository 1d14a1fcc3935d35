"""README, DEVELOPERS.md and the examples against the program as it is."""

from __future__ import annotations

import os
import re
import shlex
import subprocess
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
from tests.support.forked import caller
from tests.support.waiting import patience, wait_until

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


COMMAND_ROWS = re.findall(r"^\| `lullwatt ([^`]+)` \| (.+) \|$", README, re.MULTILINE)
"""The table of commands in the README: how each is called, and what it does."""


def commands() -> dict[str, click.Command]:
    """Return every command of the command line, by its name with its group."""
    found: dict[str, click.Command] = {}
    context = click.Context(cli)
    for name in cli.list_commands(context):
        command = cli.get_command(context, name)
        assert command is not None, name
        if isinstance(command, click.Group):
            found |= {f"{name} {inner}": each for inner, each in command.commands.items()}
        else:
            found[name] = command
    return found


def test_the_readme_describes_every_command_as_its_help_does() -> None:
    """The table lists all commands, each with the first paragraph of its help."""
    described = {re.split(r" [\[F]", usage)[0]: does for usage, does in COMMAND_ROWS}
    helps = {name: command.help or "" for name, command in commands().items()}
    first = {name: " ".join(text.split("\n\n")[0].split()) for name, text in helps.items()}
    assert described == {name: text.removesuffix(".") for name, text in first.items()}


@pytest.mark.parametrize("usage", [usage for usage, _does in COMMAND_ROWS])
def test_the_readme_lists_every_option(usage: str) -> None:
    """The usage of each command has all of its options, and no others."""
    command = commands()[re.split(r" [\[F]", usage)[0]]
    options = {option.opts[0] for option in command.params if isinstance(option, click.Option)}
    assert set(re.findall(r"--[a-z-]+", usage)) == options


def test_the_map_names_every_room_and_no_other() -> None:
    """The table of rooms in the contributor guide lists exactly the rooms there are."""
    floors = ("config", "planners", "adapters", "daemon")
    rooms = {
        str(path.parent.relative_to(ROOT))
        for floor in floors
        for path in ROOT.glob(f"{floor}/*/*.py")
    }
    table = DEVELOPERS[: DEVELOPERS.index("### Three ways")]
    assert set(re.findall(r"`((?:config|planners|adapters|daemon)/[a-z_]+)`", table)) == rooms


def test_the_ways_through_the_house_exist() -> None:
    """Every file that the three ways name exists."""
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
    """The household file in the README is valid."""
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
def test_links_point_to_files(page: str, link: str) -> None:
    """Each file that a page links to exists."""
    assert ((ROOT / page).parent / link).exists()


def test_the_broker_configuration_works(make_mosquitto: Callable[..., Mosquitto]) -> None:
    """Mosquitto starts with the settings of deploy/mosquitto.conf, on another port."""
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
    """Its first command prints what the second publishes; the daemon can read it."""
    page = (ROOT / "deploy" / "BUS.md").read_text("utf-8")
    [block] = re.findall(r"```\n(mosquitto_sub.*?)```", page, re.DOTALL)
    subscribe, publish = (shlex.split(line) for line in block.replace("\\\n", "").splitlines())
    broker = make_mosquitto()
    broker.start()
    port = ["-p", str(broker.port)]
    one_message = [*subscribe, *port, "-C", "1", "-W", f"{patience(20):.0f}"]
    with subprocess.Popen(one_message, stdout=PIPE, text=True) as listener:

        def has_arrived() -> bool:
            subprocess.run([*publish, *port], check=True)
            return listener.poll() is not None

        wait_until(has_arrived)
        assert listener.stdout is not None
        topic, _, payload = listener.stdout.read().partition(" ")
    assert topic == "lullwatt/kowhai-cottage/driveway/vehicle"
    assert decode(VehicleReport, payload.encode()).soc_percent == 35


def test_the_examples_are_shipped() -> None:
    """The demo household is part of an installed package."""
    assert files("config").joinpath("examples", "kowhai.yaml").is_file()


def printed_by(start: str) -> tuple[list[str], str]:
    """Return the command that a page names above a block, and the block."""
    text = README + HOUSEHOLD.read_text("utf-8")
    [(command, block)] = re.findall(
        rf"<!-- printed by: lullwatt ({start}[^>]*?) -->\n```\n(.*?)```", text, re.DOTALL
    )
    return command.split(), block


@pytest.mark.parametrize("start", ["rehearse", "plan", "tariff"])
def test_pages_show_what_a_command_prints(start: str) -> None:
    """Each block is exactly what the command above it prints."""
    command, block = printed_by(start)
    printed = subprocess.run(
        [*caller(), "lullwatt", *command],
        cwd=ROOT,
        check=True,
        capture_output=True,
        text=True,
    ).stdout
    assert [line.rstrip() for line in printed.rstrip().splitlines()] == block.rstrip().splitlines()


def test_the_readme_shows_real_faults(tmp_path: Path) -> None:
    """The faults in the README are those of the demo household with three mistakes."""
    text = files("config").joinpath("examples", "kowhai.yaml").read_text("utf-8")
    for good, bad in [
        ("rate: 0.168", "rate: twelve"),
        ("need_percent: 60,", "need_procent: 60,"),
        ("Pacific/Auckland ", "Pacific/Aukland "),
    ]:
        text = text.replace(good, bad)
    (tmp_path / "house.yaml").write_text(text, "utf-8")
    checked = subprocess.run(
        [*caller(), "lullwatt", "check", "house.yaml"],
        cwd=tmp_path,
        check=False,
        capture_output=True,
        text=True,
    )
    assert checked.returncode == 2
    assert checked.stderr in README


def test_make_says_what_a_stock_debian_lacks(tmp_path: Path) -> None:
    """Without the venv module, one line names the package; nothing is left behind."""
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
