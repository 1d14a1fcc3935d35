"""install.sh in a throw-away root: what it makes, what it leaves alone, and how to go back."""

from __future__ import annotations

import os
import pty
import re
import sqlite3
import ssl
import stat
import subprocess
from contextlib import closing
from pathlib import Path

import pytest

from adapters.bus.credentials import check_credentials
from adapters.ledger.ledger import open_ledger
from adapters.wired.access_list import users
from config.household.loading import load_household
from tests.deploy.prefix import INSTALLER, NAME, Prefix
from tests.support.waiting import patience


def mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


def ok(done: subprocess.CompletedProcess[str]) -> str:
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def test_shellcheck_finds_no_fault() -> None:
    """The script is POSIX sh without any fault that shellcheck knows."""
    found = subprocess.run(
        ["shellcheck", "--shell=sh", "-x", "--source-path=SCRIPTDIR", INSTALLER],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert (found.returncode, found.stdout) == (0, "")


def test_shellcheck_would_find_a_fault(tmp_path: Path) -> None:
    """The check above can fail: an array is not POSIX sh."""
    copy = tmp_path / "install.sh"
    copy.write_text("#!/bin/sh\nlist=(one two)\n")
    found = subprocess.run(["shellcheck", "--shell=sh", copy], check=False, capture_output=True)
    assert b"SC3030" in found.stdout


def test_a_dry_run_lists_all_and_changes_nothing(prefix: Prefix) -> None:
    """In an empty root it lists what an install then does, and the root stays empty."""
    printed = ok(prefix.install("--dry-run"))
    assert prefix.picture() == {}
    done = ok(prefix.install())
    would = set(
        re.findall(r"^would (create (?:the (?:folder|env|user)|a cert).*)$", printed, re.MULTILINE)
    )
    now = set(
        re.findall(r"^now: (create (?:the (?:folder|env|user)|a cert).*)$", done, re.MULTILINE)
    )
    assert would == now
    assert len(now) > len(("user", "environment", "authority"))


def test_an_install_is_usable_and_its_secrets_are_closed(installed: Prefix) -> None:
    """The household file names the broker and the secrets; nobody else can read a secret."""
    file = load_household(installed.house)
    check_credentials(file.bus)
    assert (file.bus.host, file.bus.tls, str(file.ledger.path)) == (
        "127.0.0.1", True, "/var/lib/lullwatt/ledger.sqlite3",
    )  # fmt: skip
    _assert_closed(installed)
    _assert_certified(installed, installed.root / "etc/mosquitto/home", "broker")
    names = [line.split(":")[0] for line in _home(installed, "passwords").read_text().splitlines()]
    assert names == [user.name for user in users(file)]


def test_an_install_twice_over(installed: Prefix) -> None:
    """A second run changes nothing, and neither does a dry run after it."""
    before = installed.picture()
    again = ok(installed.install())
    assert installed.picture() == before
    assert "now: " not in again
    printed = ok(installed.install("--dry-run"))
    assert installed.picture() == before
    assert "would " not in printed


def test_a_charge_point_more(installed: Prefix) -> None:
    """After a change of the household file, another run makes the missing account."""
    text = installed.house.read_text("utf-8")
    shed = "  shed: {charging_mode: 3, max_amps: 16, switching: on_off}\n"
    installed.house.write_text(text.replace("charge_points:\n", f"charge_points:\n{shed}"))
    kept = (installed.etc / "accounts/daemon").read_text()
    printed = ok(installed.install())
    assert "accounts/kowhai-cottage.point.shed" in printed
    assert "user kowhai-cottage.point.shed\n" in _home(installed, "access").read_text()
    assert "\nkowhai-cottage.point.shed:$" in _home(installed, "passwords").read_text()
    assert (installed.etc / "accounts/daemon").read_text() == kept
    assert "systemctl restart mosquitto" in printed


def _home(prefix: Prefix, name: str) -> Path:
    return prefix.root / "etc/mosquitto/home" / name


def _assert_closed(prefix: Prefix, *more: Path) -> None:
    """Check that others can read no secret, and that the broker's file has only hashes."""
    accounts = sorted((prefix.etc / "accounts").iterdir())
    secrets = [*accounts, prefix.etc / "authority/ca-key.pem", _home(prefix, "key.pem"),
               _home(prefix, "passwords"), *more]  # fmt: skip
    assert {mode(path) for path in secrets} == {0o600}
    assert (mode(prefix.etc / "accounts"), mode(prefix.etc)) == (0o700, 0o750)
    passwords = {path.read_text().strip() for path in accounts}
    assert len(passwords) == len(accounts)
    kept = _home(prefix, "passwords").read_text()
    assert all(len(word) > 20 and word not in kept for word in passwords)


def _assert_certified(prefix: Prefix, folder: Path, *more: str) -> None:
    """Check a certificate: its names, and its authority."""
    names = [("-verify_hostname", name) for name in (NAME, *more)]
    for name in (*names, ("-verify_ip", "127.0.0.1")):
        subprocess.run(
            ["openssl", "verify", "-CAfile", prefix.etc / "ca.pem", *name, "-purpose", "sslserver",
             folder / "cert.pem"],
            check=True, capture_output=True,
        )  # fmt: skip
    ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(folder / "cert.pem", folder / "key.pem")


def test_the_page(installed: Prefix) -> None:
    """It has a user, an account, a certificate and a unit of its own, also after an upgrade."""
    secret = (installed.etc / "accounts/daemon").read_text()
    printed = ok(installed.install("--page", "yes"))
    assert "create the user and group lullwatt-page" in printed
    assert "systemctl restart lullwatt-page" in printed
    assert "systemctl restart lullwatt\n" not in printed
    file = load_household(installed.house)
    assert file.page is not None
    assert (file.page.url, file.page.has_tls) == (f"https://{NAME}:8480", True)
    assert file.page.devices_file == Path("/var/lib/lullwatt-page/devices.json")
    assert file.page.username in {user.name for user in users(file)}
    assert (installed.etc / "accounts/daemon").read_text() == secret
    _assert_closed(installed, installed.etc / "page/key.pem")
    _assert_certified(installed, installed.etc / "page")
    before = installed.picture()
    assert "now: " not in ok(installed.install())
    assert installed.picture() == before
    assert "systemctl restart lullwatt-page" in ok(installed.install(version="0.2.0"))


def test_no_page_any_longer(installed: Prefix) -> None:
    """Every phone's right goes with it, and so does its user; the household file stays."""
    before = set(installed.picture())
    ok(installed.install("--page", "yes"))
    devices = installed.root / "var/lib/lullwatt-page/devices.json"
    devices.touch()
    printed = ok(installed.install("--page", "no"))
    assert "systemctl disable --now lullwatt-page" in printed
    assert "still declares a page, which nobody serves now" in printed
    more = {path for path in set(installed.picture()) - before if "lullwatt" in path}
    assert more == {"etc/lullwatt/accounts/page"}
    lists = [installed.root / "etc" / name for name in ("passwd", "group", "shadow", "gshadow")]
    assert all("lullwatt-page" not in path.read_text() for path in lists)
    assert "lullwatt-page" not in ok(installed.install())


def test_a_page_of_ones_own(installed: Prefix) -> None:
    """What the household file says about the page stays; without an account it is refused."""
    declared = "\npage: {listen: '127.0.0.1:8480', devices_file: /var/lib/lullwatt-page/d.json"
    text = installed.house.read_text("utf-8")
    installed.house.write_text(f"{text}{declared}}}\n", "utf-8")
    refused = installed.install("--page", "yes")
    assert refused.returncode == 1
    assert "the page has no account of its own" in refused.stderr
    own = f"{text}{declared}, username: ours, password_file: accounts/page}}\n"
    installed.house.write_text(own, "utf-8")
    assert "accounts/page (600" in ok(installed.install("--page", "yes"))
    assert installed.house.read_text("utf-8") == own


def test_prices_are_fetched(installed: Prefix) -> None:
    """A user, a folder for keys, one for the price file, a unit and a timer, all kept later."""
    printed = ok(installed.install("--prices", "yes"))
    assert "create the user and group lullwatt-prices" in printed
    assert "systemctl enable lullwatt-prices.timer" in printed
    assert "systemctl restart lullwatt\n" not in printed
    assert "says where to fetch its prices" in printed
    folders = {"etc/lullwatt/prices": 0o750, "var/lib/lullwatt-prices": 0o755}
    assert {name: mode(installed.root / name) for name in folders} == folders
    installed.house.write_text(installed.house.read_text("utf-8") + "# fetch: see there\n", "utf-8")
    before = installed.picture()
    again = ok(installed.install())
    assert "now: " not in again
    assert "says where to fetch its prices" not in again
    assert installed.picture() == before


def test_prices_are_fetched_no_longer(installed: Prefix) -> None:
    """Keys, units and user go; the prices stay, for past nights."""
    before = set(installed.picture())
    ok(installed.install("--prices", "yes"))
    (installed.root / "var/lib/lullwatt-prices/prices.csv").write_text("start,rate\n")
    (installed.etc / "prices/key").write_text("secret\n")
    printed = ok(installed.install("--prices", "no"))
    assert "systemctl disable --now lullwatt-prices.timer" in printed
    more = {path for path in set(installed.picture()) - before if "lullwatt" in path}
    assert more == {"var/lib/lullwatt-prices", "var/lib/lullwatt-prices/prices.csv"}
    assert "lullwatt-prices" not in (installed.root / "etc/passwd").read_text()
    assert "lullwatt-prices" not in ok(installed.install())
    removed = ok(installed.run("--remove"))
    assert f"Kept: the prices in {installed.root}/var/lib/lullwatt-prices." in removed


def test_calendars_are_fetched_and_no_longer(installed: Prefix) -> None:
    """A user, two folders, a unit and a timer, kept later; `no` takes all away, copies too."""
    before = set(installed.picture())
    printed = ok(installed.install("--calendars", "yes"))
    assert "create the user and group lullwatt-calendars" in printed
    assert "systemctl enable lullwatt-calendars.timer" in printed
    assert "systemctl restart lullwatt\n" not in printed
    assert "names no calendars; deploy/GUIDE.md shows how" in printed
    folders = {"etc/lullwatt/calendars": 0o750, "var/lib/lullwatt-calendars": 0o750}
    assert {name: mode(installed.root / name) for name in folders} == folders
    assert "now: " not in ok(installed.install())
    (installed.root / "var/lib/lullwatt-calendars/family.ics").write_text("BEGIN:VCALENDAR\n")
    text = installed.house.read_text("utf-8")
    declared = "\ncalendars: {family: {file: family.ics, words: car}}\n"
    installed.house.write_text(text + declared, "utf-8")
    printed = ok(installed.install("--calendars", "no"))
    assert "systemctl disable --now lullwatt-calendars.timer" in printed
    assert "still names calendars; those with an address are no longer fetched" in printed
    assert {path for path in set(installed.picture()) - before if "lullwatt" in path} == set()
    assert "lullwatt-calendars" not in (installed.root / "etc/passwd").read_text()


def test_doors_are_announced(installed: Prefix) -> None:
    """A user and a unit, if the household file says what; `no` takes both away."""
    refused = installed.install("--announce", "yes")
    assert refused.returncode == 1
    assert "does not say what to announce" in refused.stderr
    before = set(installed.picture())
    text = installed.house.read_text("utf-8")
    more = "\nannounce: {services: [broker], host: hub.local}\n"
    installed.house.write_text(text + more, "utf-8")
    printed = ok(installed.install("--announce", "yes"))
    assert "systemctl enable lullwatt-announce" in printed
    assert "systemctl restart lullwatt\n" not in printed
    assert "now: " not in ok(installed.install())
    printed = ok(installed.install("--announce", "no"))
    assert "systemctl disable --now lullwatt-announce" in printed
    assert "still says what to announce, which nobody announces now" in printed
    assert "lullwatt-announce" not in (installed.root / "etc/passwd").read_text()
    more_files = {path for path in set(installed.picture()) - before if "lullwatt" in path}
    assert more_files == set()


def test_back_to_a_version_that_fetches_no_prices(installed: Prefix) -> None:
    """Its units go, because that version can't fetch."""
    ok(installed.install("--prices", "yes"))
    ok(installed.install(version="0.2.0"))
    (installed.root / "opt/lullwatt/0.1.0/deploy/lullwatt-prices.timer").unlink()
    assert "systemctl disable --now lullwatt-prices.timer" in ok(installed.run("--back"))
    units = installed.root / "etc/systemd/system"
    assert [path.name for path in units.iterdir()] == ["lullwatt.service"]


def test_back_to_a_version_without_a_page(installed: Prefix) -> None:
    """Its unit goes, because that version can't serve it."""
    ok(installed.install("--page", "yes"))
    ok(installed.install(version="0.2.0"))
    (installed.root / "opt/lullwatt/0.1.0/deploy/lullwatt-page.service").unlink()
    assert "systemctl disable --now lullwatt-page" in ok(installed.run("--back"))
    units = installed.root / "etc/systemd/system"
    assert [path.name for path in units.iterdir()] == ["lullwatt.service"]


def test_upgrade_and_back(installed: Prefix) -> None:
    """The ledger is copied first; after going back, the older version can read its ledger."""
    ledger = installed.var / "ledger.sqlite3"
    open_ledger(ledger).close()
    mark(ledger, 1)
    printed = ok(installed.install(version="0.2.0"))
    assert installed.in_force == "0.2.0"
    before = installed.kept / "before-0.2.0"
    assert printed.index(f"copy the ledger and the household file to {before}") < printed.index(
        "point"
    )
    assert marked(before / "ledger.sqlite3") == 1
    assert (before / "house.yaml").read_bytes() == installed.house.read_bytes()

    # A version that brought the ledger to a schema which the one before refuses.
    mark(ledger, 2)
    newer_schema(ledger)
    printed = ok(installed.run("--back"))
    assert installed.in_force == "0.1.0"
    assert marked(ledger) == 1
    assert marked(installed.kept / "after-0.2.0" / "ledger.sqlite3") == 2
    assert "systemctl restart lullwatt" in printed
    assert not list(installed.etc.glob("*from-outside*"))


def test_back_on_a_ledger_that_can_be_read(installed: Prefix) -> None:
    """If the older version can read the upgraded ledger, that ledger stays in use."""
    ledger = installed.var / "ledger.sqlite3"
    open_ledger(ledger).close()
    ok(installed.install(version="0.2.0"))
    mark(ledger, 3)
    ok(installed.run("--back"))
    assert (installed.in_force, marked(ledger)) == ("0.1.0", 3)
    refused = installed.run("--back")
    assert refused.returncode == 1
    assert "there is no version to go back to" in refused.stderr


def test_an_upgrade_that_does_not_accept_the_file(installed: Prefix) -> None:
    """The old version stays in use, and the message says what to do."""
    installed.break_command("0.2.0", "check", "house.yaml:3:1: something is amiss")
    refused = installed.install(version="0.2.0")
    assert refused.returncode == 1
    assert "house.yaml:3:1: something is amiss" in refused.stderr
    assert "correct the faults above" in refused.stderr
    assert installed.in_force == "0.1.0"
    assert not (installed.kept / "before-0.2.0").exists()


def test_an_upgrade_whose_copy_fails(installed: Prefix) -> None:
    """Without a copy of the ledger there is no upgrade."""
    open_ledger(installed.var / "ledger.sqlite3").close()
    installed.break_command("0.1.0", "backup", "no space is left")
    refused = installed.install(version="0.2.0")
    assert refused.returncode == 1
    assert "nothing was upgraded" in refused.stderr
    assert installed.in_force == "0.1.0"


def test_limits_in_equipment_are_cleared_before_a_removal(installed: Prefix) -> None:
    """A charge point that speaks OCPP stores a limit of 0 A: it must not stay there."""
    wanted = f"lullwatt wiring {installed.house} --release"
    assert wanted not in ok(installed.run("--remove", "--dry-run"))
    with installed.house.open("a", encoding="utf-8") as house:
        house.write('\nocpp: {listen: "127.0.0.1:8887"}\n')
    assert wanted in ok(installed.run("--remove", "--dry-run"))
    assert wanted not in ok(installed.run("--remove", "--dry-run", "--keep-limits"))


def test_removing_leaves_the_ledger_and_the_household_file(installed: Prefix) -> None:
    """A dry run changes nothing; after a removal only those are left, and can be used again."""
    ledger = installed.var / "ledger.sqlite3"
    open_ledger(ledger).close()
    mark(ledger, 4)
    before = installed.picture()
    ok(installed.run("--remove", "--dry-run"))
    assert installed.picture() == before
    house = installed.house.read_bytes()
    ok(installed.run("--remove"))
    left = {path for path in installed.picture() if (installed.root / path).is_file()}
    ours = {path for path in left if "lullwatt" in path or "mosquitto" in path}
    assert ours == {"etc/lullwatt/house.yaml", "var/lib/lullwatt/ledger.sqlite3"}
    lists = [installed.root / "etc" / name for name in ("passwd", "group", "shadow", "gshadow")]
    assert all("lullwatt:" not in path.read_text() for path in lists)
    assert {path.stat().st_uid for path in (ledger, installed.house)} == {os.geteuid()}
    ok(installed.install())
    assert (installed.house.read_bytes(), marked(ledger)) == (house, 4)
    assert ledger.stat().st_uid == installed.var.stat().st_uid


def test_without_a_terminal_answers_are_required(prefix: Prefix) -> None:
    """It invents no household: it stops, and says what to do."""
    refused = prefix.run("--environment", str(prefix.environment("0.1.0")))
    assert refused.returncode == 1
    assert "no terminal to ask questions on" in refused.stderr
    assert not prefix.house.exists()


def test_on_a_terminal_it_asks(prefix: Prefix) -> None:
    """The tariff, and only return at every other question, gives a valid household file."""
    ours, theirs = pty.openpty()
    os.write(ours, b"\n\n\n\n23:00-07:00\n0.15\n0.3" + b"\n" * 60)
    done = subprocess.run(
        ["sh", INSTALLER, "--root", prefix.root, "--environment", prefix.environment("0.1.0")],
        env=os.environ | {"TZ": "Pacific/Auckland"},
        stdin=theirs, capture_output=True, text=True, check=False, timeout=patience(60),
    )  # fmt: skip
    os.close(theirs)
    os.close(ours)
    ok(done)
    assert load_household(prefix.house).bus.tls


def test_the_installed_script_works_without_the_source(installed: Prefix) -> None:
    """Run from /opt it knows its version, and the broker's name."""
    before = installed.picture()
    script = installed.root / "opt/lullwatt/current/deploy/install.sh"
    done = subprocess.run(
        ["sh", script, "--root", installed.root], capture_output=True, text=True, check=False
    )
    printed = ok(done)
    assert f"the broker's certificate, for {NAME}" in printed
    assert "Lullwatt 0.1.0 is installed." in printed
    assert installed.picture() == before


@pytest.mark.parametrize(
    "words",
    [
        ["--rot", "x"],
        ["--page", "maybe"],
        ["--prices", "x"],
        ["--root"],
        ["--root", "/nowhere/at/all"],
    ],
)
def test_bad_usage_is_refused(words: list[str]) -> None:
    """With an unknown option, a missing value or a missing folder it does nothing."""
    done = subprocess.run(["sh", INSTALLER, *words], capture_output=True, text=True, check=False)
    assert done.returncode in {1, 2}
    assert done.stderr


def test_an_environment_from_outside_is_named(prefix: Prefix) -> None:
    """The help names the variable that chooses one, and a run says that it has."""
    shown = subprocess.run(["sh", INSTALLER, "--help"], capture_output=True, text=True, check=True)
    assert "LULLWATT_ENVIRONMENT" in shown.stdout
    chosen = prefix.environment("0.1.0")
    done = subprocess.run(
        ["sh", INSTALLER, "--root", prefix.root, "--dry-run"],
        env=os.environ | {"LULLWATT_ENVIRONMENT": str(chosen)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert f"uses the environment in {chosen} (LULLWATT_ENVIRONMENT)" in done.stdout


def test_missing_tools_are_named(prefix: Prefix) -> None:
    """Without the broker's tools it stops before it makes anything, and says what to install."""
    done = subprocess.run(
        ["/bin/sh", INSTALLER, "--root", prefix.root, "--environment", prefix.environment("0.1.0")],
        env={"PATH": str(_few_tools(prefix.root.parent))},
        stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 1
    assert "openssl is missing\n    apt-get install mosquitto" in done.stderr
    assert prefix.picture() == {}


def _few_tools(directory: Path) -> Path:
    """Make a folder with only a few programs."""
    folder = directory / "few"
    folder.mkdir()
    for name in ("dirname", "uname", "id", "rm", "stat", "sed", "basename"):
        (folder / name).symlink_to(Path("/usr/bin") / name)
    return folder


def mark(ledger: Path, number: int) -> None:
    """Write a number to a ledger, where no version looks."""
    with closing(sqlite3.connect(ledger)) as connection:
        connection.execute("CREATE TABLE IF NOT EXISTS marks (number INTEGER)")
        connection.execute("INSERT INTO marks VALUES (?)", (number,))
        connection.commit()


def marked(ledger: Path) -> int:
    """Return the last number that `mark` wrote."""
    with closing(sqlite3.connect(ledger)) as connection:
        [number] = connection.execute("SELECT max(number) FROM marks").fetchone()
    return int(number)


def newer_schema(ledger: Path) -> None:
    """Give a ledger the schema of a later version."""
    with closing(sqlite3.connect(ledger)) as connection:
        [version] = connection.execute("PRAGMA user_version").fetchone()
        connection.execute(f"PRAGMA user_version = {version + 1}")
        connection.commit()
