"""Follow the install guide word for word, from nothing to a daemon with a charge point.

Here it is followed on a stage, a throw-away root over this machine's own, with a small stand-in for
systemd and a real Mosquitto; `make throwaway` follows it in a Debian with its own systemd.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.deploy.guide import PAGE, PAGE_PATH, PLACES, Ran, read_back, script, steps
from tests.deploy.stage import is_possible, on_stage
from tests.support.afternoon import in_the_afternoon

NEEDS_ROOT = pytest.mark.skipif(
    not is_possible(), reason="a throw-away root needs root, and one that may mount"
)


def test_every_block_of_commands_can_be_run() -> None:
    """No block is omitted, and each says where it runs; other blocks are not commands."""
    marked = steps(*PLACES)
    fences = re.findall(r"^```(\w*)$", PAGE, re.MULTILINE)
    assert len(marked) == fences.count("sh") > len(PLACES)
    assert set(fences) == {"sh", "yaml", ""}
    assert fences.count("") == fences.count("sh") + fences.count("yaml")
    assert len({step.name for step in marked}) == len(marked)


def test_the_table_of_times_matches_the_steps() -> None:
    """The table has a row for each step of an install, in the order of the page, and its sum."""
    [table] = re.findall(r"<!-- times -->\n(.*?)<!-- /times -->", PAGE, re.DOTALL)
    rows = re.findall(r"^\| ([a-z ]+) \| (\d+) \|$", table, re.MULTILINE)
    names = [step.name for step in steps("machine", "anywhere")]
    assert [name for name, _ in rows] == [*names[: names.index("hear") + 1], "in all"]
    *each, (_, whole) = rows
    assert sum(int(seconds) for _, seconds in each) == int(whole) < 15 * 60


@pytest.mark.parametrize("link", re.findall(r"\]\(([^)#]+)\)", PAGE))
def test_links_lead_somewhere(link: str) -> None:
    """Each file that the page links to exists."""
    assert (PAGE_PATH.parent / link).exists()


@pytest.fixture(scope="module")
def followed(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Ran]:
    wanted = steps("anywhere")
    done = on_stage(in_the_afternoon(script(wanted)), tmp_path_factory.mktemp("guide"))
    ran = read_back(done.stdout)
    missing = [step.name for step in wanted if step.name not in ran]
    assert (done.returncode, missing) == (0, []), done.stdout
    return ran


@NEEDS_ROOT
def test_the_guide_leads_from_nothing_to_a_charge_point_heard(followed: dict[str, Ran]) -> None:
    """The daemon is ready under its supervisor, and a vehicle reported over TLS gets a plan."""
    assert "would create the user" in followed["look"].printed
    assert "Lullwatt 0.1.0 is installed." in followed["install"].printed
    assert "lullwatt: active" in followed["up"].printed
    assert "nobody-listens" in followed["first status"].printed
    assert re.search(r"alerts +none", followed["live"].printed)
    assert re.search(r"state of charge +35 %", followed["live"].printed)
    assert re.search(r"plan +\d+\.\d+ kWh for NZD", followed["live"].printed)
    received = followed["hear"].printed + followed["live"].printed
    assert '"do":"stop"' in received  # the command that the charge point received


@NEEDS_ROOT
def test_the_guides_daily_commands_work(followed: dict[str, Ran]) -> None:
    """Requests are answered, the night is explained, the ledger copied, metrics served."""
    assert "100 %" in followed["ask"].printed
    assert "The vehicle reports 35 %." in followed["live"].printed
    assert ".sqlite3: 0 nights" in followed["backup"].printed
    assert "lullwatt_bus_connected" in followed["watch"].printed


@NEEDS_ROOT
def test_the_page_runs_and_lets_a_phone_in(followed: dict[str, Ran]) -> None:
    """Its own user reads the household file and its secrets; root's commands use its list."""
    assert "lullwatt-page: active" in followed["page"].printed
    assert "the page is served" in followed["page"].printed
    assert "The code is " in followed["pair"].printed
    assert "No device is paired" in followed["devices"].printed
    for name in ("upgrade", "back"):
        assert "systemctl restart lullwatt-page" in followed[name].printed
    assert "remove the user lullwatt-page" in followed["remove"].printed


@NEEDS_ROOT
def test_the_timer_of_prices_comes_and_goes(followed: dict[str, Ran]) -> None:
    """The installer adds its user, units and folders, keeps them, and removes them at the end."""
    assert "create the user and group lullwatt-prices" in followed["prices"].printed
    assert "systemctl restart lullwatt-prices.timer" in followed["prices"].printed
    assert "lullwatt-prices.timer" in followed["back"].printed
    assert "remove the user lullwatt-prices" in followed["remove"].printed


@NEEDS_ROOT
def test_the_timer_of_calendars_comes_and_goes(followed: dict[str, Ran]) -> None:
    """The same for calendars; their copies go, too."""
    assert "create the user and group lullwatt-calendars" in followed["calendars"].printed
    assert "systemctl restart lullwatt-calendars.timer" in followed["calendars"].printed
    assert "remove the user lullwatt-calendars" in followed["remove"].printed


@NEEDS_ROOT
def test_the_guide_leads_to_the_next_version_and_back(followed: dict[str, Ran]) -> None:
    """Both ways the daemon runs again with all its data; after a removal the ledger stays."""
    upgraded, back, gone = (followed[name].printed for name in ("upgrade", "back", "remove"))
    assert "Lullwatt 0.1.1 is installed." in upgraded
    assert "the household file to /var/backups/lullwatt/before-0.1.1" in upgraded
    assert "Version 0.1.0 is in use again." in back
    for printed in (upgraded, back):
        assert re.search(r"state of charge +35 %", printed)
    assert "ledger.sqlite3\n" in gone
    assert "house.yaml\n" in gone
    assert "remove the user lullwatt;" in gone


@NEEDS_ROOT
def test_a_step_that_fails_is_seen(tmp_path: Path) -> None:
    """The checks above can fail: an unknown command stops the script at its step."""
    unpack = steps("anywhere")[0]
    wrong = type(unpack)("wrong", "anywhere", "sudo lullwatt status /etc/lullwatt/house.yaml\n")
    done = on_stage(script([unpack, wrong]), tmp_path)
    assert done.returncode != 0
    assert list(read_back(done.stdout)) == ["unpack"]
