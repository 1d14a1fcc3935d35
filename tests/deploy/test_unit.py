"""The units: systemd itself finds no fault and little exposure."""

from __future__ import annotations

import os
import re
import subprocess
from pathlib import Path

import pytest

from adapters.bus.bus import LAST_ACKNOWLEDGEMENTS_SECONDS, THREAD_ENDS_SECONDS
from adapters.feeds.client import TRY_SECONDS, WAITS_SECONDS
from adapters.host.alert_command import STOPS_SECONDS as ALERTS_STOP
from adapters.ocpp.server import STOPS_SECONDS as OCPP_STOPS
from config.files.errors import UnwellError
from tests.deploy.guide import ROOT

UNIT = ROOT / "deploy" / "lullwatt.service"
PAGE_UNIT = ROOT / "deploy" / "lullwatt-page.service"
PRICES_UNIT = ROOT / "deploy" / "lullwatt-prices.service"
ANNOUNCE_UNIT = ROOT / "deploy" / "lullwatt-announce.service"
CALENDARS_UNIT = ROOT / "deploy" / "lullwatt-calendars.service"
TIMER = PRICES_UNIT.with_suffix(".timer")
RUNNING = (UNIT, PAGE_UNIT)
BROKER_UNIT = ROOT / "deploy" / "lullwatt-broker.service"
UNITS = (*RUNNING, PRICES_UNIT, BROKER_UNIT, ANNOUNCE_UNIT, CALENDARS_UNIT)
TEXT = UNIT.read_text("utf-8")
MOST_EXPOSED = 1.5
LEAST_SECONDS_BETWEEN_STARTS = 10
"""So that a unit that fails at once does not fill the log [s]."""
SECONDS_UNTIL_STUCK = 60
OTHERS_COPIES = f"-/var/lib/{CALENDARS_UNIT.stem}"
"""The daemon's group may read the calendars' copies; there may be none (the hyphen)."""
DEFAULT_WEIGHT = 100
"""Of a unit that says nothing else, see systemd.resource-control(5)."""


def value(key: str, unit: Path = UNIT) -> str:
    [found] = re.findall(rf"^{key}=(.*)$", unit.read_text("utf-8"), re.MULTILINE)
    return str(found)


@pytest.mark.parametrize("unit", UNITS, ids=lambda unit: unit.stem)
def test_systemd_finds_no_fault(unit: Path, tmp_path: Path) -> None:
    """`systemd-analyze verify` is silent, with another program in place of the missing one."""
    program = tmp_path / "lullwatt"
    program.write_text("#!/bin/sh\n")
    program.chmod(0o755)
    copy = tmp_path / unit.name
    text = unit.read_text("utf-8")
    copy.write_text(text.replace("/opt/lullwatt/current/bin/lullwatt", str(program)))
    found = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", copy], capture_output=True, text=True, check=False
    )
    assert (found.returncode, found.stdout + found.stderr) == (0, "")


def test_systemd_finds_no_fault_in_the_timer(tmp_path: Path) -> None:
    """It starts the unit of its name, twenty-one times between 13:00 and 23:00."""
    copy = tmp_path / TIMER.name
    copy.write_text(TIMER.read_text("utf-8"))
    (tmp_path / PRICES_UNIT.name).write_text("[Service]\nType=oneshot\nExecStart=/bin/true\n")
    found = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", copy], capture_output=True, text=True, check=False
    )
    assert (found.returncode, found.stdout + found.stderr) == (0, "")
    times = re.findall(r"^OnCalendar=(.*)$", TIMER.read_text("utf-8"), re.MULTILINE)
    due = subprocess.run(
        ["systemd-analyze", "calendar", "--iterations=20", "--base-time=2026-11-29 00:00:00",
         times[0]],
        capture_output=True, text=True, check=True, env={"TZ": "UTC", "PATH": os.environ["PATH"]},
    )  # fmt: skip
    hours = re.findall(r"(?:elapse|#\d+): Sun 2026-11-29 (\d\d:\d\d):00 UTC", due.stdout)
    assert hours == [f"{hour}:{minute}" for hour in range(13, 23) for minute in ("00", "30")]
    assert times[1] == "*-*-* 23:00"


@pytest.mark.parametrize("unit", [PRICES_UNIT, CALENDARS_UNIT], ids=lambda unit: unit.stem)
def test_fetching_cannot_hinder_the_daemon(unit: Path) -> None:
    """It sees no ledger, writes only its own folder, ends in time, and starts nothing else."""
    assert unit.stem not in TEXT
    hidden = ["/var/lib/lullwatt", *([OTHERS_COPIES] if unit is PRICES_UNIT else [])]
    assert value("InaccessiblePaths", unit).split() == hidden
    assert value("StateDirectory", unit) == unit.stem
    assert "ReadWritePaths" not in unit.read_text("utf-8")
    tries = 1 + len(WAITS_SECONDS)
    assert int(value("TimeoutStartSec", unit)) > tries * TRY_SECONDS + sum(WAITS_SECONDS)
    for key in ("CPUWeight", "IOWeight"):
        assert int(value(key, unit)) < DEFAULT_WEIGHT


def test_calendars_are_asked_for_each_quarter_of_an_hour(tmp_path: Path) -> None:
    """The timer starts the unit of its name; its copies are for the daemon's group alone."""
    timer = CALENDARS_UNIT.with_suffix(".timer")
    copy = tmp_path / timer.name
    copy.write_text(timer.read_text("utf-8"))
    (tmp_path / CALENDARS_UNIT.name).write_text("[Service]\nType=oneshot\nExecStart=/bin/true\n")
    found = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", copy], capture_output=True, text=True, check=False
    )
    assert (found.returncode, found.stdout + found.stderr) == (0, "")
    assert value("OnCalendar", timer) == "*:0/15"
    assert value("Group", CALENDARS_UNIT) == value("Group") == "lullwatt"
    assert value("StateDirectoryMode", CALENDARS_UNIT) == "0750"
    assert value("UMask", CALENDARS_UNIT) == "0027"


def test_announcing_cannot_hinder_the_daemon() -> None:
    """It sees no ledger and no calendar, writes nothing, and speaks to the home's network only.

    RFC 6762, section 3: the groups of multicast DNS are 224.0.0.251 and ff02::fb.
    """
    text = ANNOUNCE_UNIT.read_text("utf-8")
    assert "lullwatt-announce" not in TEXT
    hidden = value("InaccessiblePaths", ANNOUNCE_UNIT).split()
    assert hidden == ["/var/lib/lullwatt", OTHERS_COPIES]
    assert value("LimitFSIZE", ANNOUNCE_UNIT) == "0"
    assert not re.findall(r"^(?:StateDirectory|ReadWritePaths|LoadCredential)=", text, re.MULTILINE)
    assert "\nIPAddressDeny=any\nIPAddressAllow=224.0.0.251 ff02::fb\n" in text
    assert int(value("CPUWeight", ANNOUNCE_UNIT)) < DEFAULT_WEIGHT


def test_a_fault_in_a_unit_is_found(tmp_path: Path) -> None:
    """The check above can fail."""
    copy = tmp_path / UNIT.name
    copy.write_text(TEXT.replace("WatchdogSec=60", "WatchdogSec=soon"))
    found = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", copy], capture_output=True, text=True, check=False
    )
    assert "Failed to parse sec value, ignoring: soon" in found.stderr


@pytest.mark.parametrize("unit", UNITS, ids=lambda unit: unit.stem)
def test_little_is_exposed(unit: Path) -> None:
    """`systemd-analyze security` reports 1.5 or less, thanks to the filter of system calls."""
    assert exposure(unit) <= MOST_EXPOSED


def test_exposure_is_measured(tmp_path: Path) -> None:
    """A unit without protection is reported as exposed."""
    copy = tmp_path / UNIT.name
    copy.write_text(TEXT.replace("\nSystemCallFilter=", "\n#").replace("\nProtect", "\n#"))
    assert exposure(copy) > MOST_EXPOSED


def exposure(unit: Path) -> float:
    found = subprocess.run(
        ["systemd-analyze", "security", "--offline=yes", "--no-pager", unit],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    [number] = re.findall(r"Overall exposure level for \S+: ([\d.]+)", found.stdout)
    return float(number)


def test_it_is_restarted_as_long_as_that_may_help() -> None:
    """It stays down only if another daemon took over; a bad file may be corrected."""
    assert value("RestartPreventExitStatus").split() == [str(UnwellError.exit_code)]
    assert value("Restart") == "on-failure"
    assert value("StartLimitIntervalSec") == "0"
    assert int(value("RestartSec")) >= LEAST_SECONDS_BETWEEN_STARTS


def test_it_has_enough_time_to_stop() -> None:
    """Commanding the hardware to stop, and waiting for the broker, end before the kill."""
    parts = LAST_ACKNOWLEDGEMENTS_SECONDS + 2 * THREAD_ENDS_SECONDS + OCPP_STOPS + 2 * ALERTS_STOP
    assert int(value("TimeoutStopSec")) > parts


@pytest.mark.parametrize("unit", RUNNING, ids=lambda unit: unit.stem)
def test_the_password_is_the_installers(unit: Path) -> None:
    """The credential has the name of the file in the household file that install.sh writes."""
    name, _, source = value("LoadCredential", unit).partition(":")
    written = (ROOT / "deploy" / "install.sh").read_text("utf-8")
    assert f"password_file: accounts/{name}" in written
    assert source == f"/etc/lullwatt/accounts/{name}"


@pytest.mark.parametrize("unit", RUNNING, ids=lambda unit: unit.stem)
def test_a_stuck_loop_is_killed_within_a_minute(unit: Path) -> None:
    """The unit expects signs of life, from the service only."""
    assert (value("Type", unit), value("NotifyAccess", unit)) == ("notify", "main")
    assert int(value("WatchdogSec", unit)) <= SECONDS_UNTIL_STUCK


def test_the_page_cannot_hinder_the_daemon() -> None:
    """Neither needs the other; the page may write only its own folder; the daemon comes first."""
    page = PAGE_UNIT.read_text("utf-8")
    assert "lullwatt-page" not in TEXT
    wants = re.findall(
        r"^(?:Requires|Wants|BindsTo|PartOf|Conflicts|After|Before)=(.*)$", page, re.MULTILINE
    )
    assert "lullwatt.service" not in " ".join(wants)
    users = [value(key, PAGE_UNIT) for key in ("User", "Group", "SupplementaryGroups")]
    assert users == ["lullwatt-page", "lullwatt-page", value("Group")]
    assert (value("ProtectSystem", PAGE_UNIT), value("StateDirectory", PAGE_UNIT)) == (
        "strict", "lullwatt-page",
    )  # fmt: skip
    assert "ReadWritePaths" not in page
    assert int(value("UMask"), 8) & 0o020
    assert int(value("CPUWeight", PAGE_UNIT)) < DEFAULT_WEIGHT
    assert int(value("OOMScoreAdjust", PAGE_UNIT)) > 0
