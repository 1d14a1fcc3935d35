"""install.sh under difficulties: a malicious daemon, an interrupted run, odd names."""

from __future__ import annotations

import fcntl
import os
import shutil
import sqlite3
import stat
import subprocess
from contextlib import closing
from pathlib import Path

import pytest

from adapters.ledger.ledger import open_ledger
from config.household.loading import load_household
from tests.deploy.prefix import INSTALLER, NAME, Prefix
from tests.deploy.test_install import mark, marked, mode, newer_schema, ok

NEEDS_ROOT = pytest.mark.skipif(os.geteuid() != 0, reason="only root can change owners")


def test_root_does_not_follow_the_daemons_links(installed: Prefix, tmp_path: Path) -> None:
    """Neither links nor a version in the daemon's own folder are used, in an upgrade or back."""
    outside = tmp_path / "outside"
    outside.mkdir(mode=0o755)
    ledger = installed.var / "ledger.sqlite3"
    open_ledger(ledger).close()
    mark(ledger, 1)
    for name in ("before-0.2.0", "after-0.2.0"):
        (installed.var / name).symlink_to(outside)
    for name in ("ledger.sqlite3.new", "ledger.new"):
        (installed.var / name).symlink_to(outside / "written")
    ok(installed.install(version="0.2.0"))
    mark(ledger, 2)
    newer_schema(ledger)
    ok(installed.run("--back"))
    assert (list(outside.iterdir()), mode(outside)) == ([], 0o755)
    assert marked(ledger) == 1
    assert mode(installed.kept) == 0o700
    assert mode(ledger) == 0o640


def test_no_program_of_the_daemon_is_run(installed: Prefix) -> None:
    """A version recorded in the daemon's folder is refused, and so is one that leads elsewhere."""
    evil = installed.var / "evil"
    installed.program(evil / "bin/lullwatt", f"#!/bin/sh\n: > '{evil}/was-run'\n")
    (evil / ".complete").touch()
    for folder, message in (
        (installed.var, "no version to go back to"),
        (installed.kept, "names no"),
    ):
        before = folder / "before-0.1.0"
        before.mkdir(parents=True)
        (before / "version").write_text("../../var/lib/lullwatt/evil\n")
        refused = installed.run("--back")
        assert refused.returncode == 1
        assert message in refused.stderr
    assert not (evil / "was-run").exists()


@NEEDS_ROOT
def test_a_file_with_a_second_name_is_not_given_away(installed: Prefix) -> None:
    """Root's file with a second name in the daemon's folder stays root's; others change owner."""
    secret = installed.etc / "authority/ca-key.pem"
    (installed.var / "mine").hardlink_to(secret)
    (installed.var / "copy").write_text("made by root")
    ok(installed.install())
    assert secret.stat().st_uid == 0
    assert (installed.var / "copy").stat().st_uid == installed.var.stat().st_uid != 0


@NEEDS_ROOT
def test_a_ledger_from_before_the_page_is_opened_to_the_group(
    installed: Prefix, tmp_path: Path
) -> None:
    """The ledger and its log only, and not what a link leads to."""
    outside = tmp_path / "outside"
    outside.touch(0o600)
    ledger, log = installed.var / "ledger.sqlite3", installed.var / "ledger.sqlite3-wal"
    open_ledger(ledger).close()
    log.touch()
    other = installed.var / "other"
    other.touch()
    for path in (ledger, log, other):
        path.chmod(0o600)
    (installed.var / "ledger.sqlite3-shm").symlink_to(outside)
    assert "let the group lullwatt read the ledger" in ok(installed.install())
    modes = [mode(path) for path in (ledger, log, other, outside)]
    assert modes == [0o640, 0o640, 0o600, 0o600]
    assert "now: " not in ok(installed.install())


@NEEDS_ROOT
def test_after_a_new_install_the_daemon_can_read_its_old_file(installed: Prefix) -> None:
    """The daemon may again read the household file that --remove left."""
    ok(installed.run("--remove"))
    assert installed.house.stat().st_gid == 0
    ok(installed.install())
    found = installed.house.stat()
    assert (found.st_uid, found.st_gid) == (0, installed.etc.stat().st_gid)
    assert found.st_gid != 0
    assert found.st_mode & stat.S_IRGRP


@pytest.fixture(scope="module")
def beside_others(tmp_path_factory: pytest.TempPathFactory) -> tuple[Prefix, str]:
    """Install with a strict umask, beside other programs' folders; return the output too."""
    prefix = Prefix(tmp_path_factory.mktemp("beside"))
    theirs = prefix.root / "usr/local/bin"
    theirs.mkdir(parents=True)
    theirs.chmod(0o2775)
    own = prefix.root / "etc/mosquitto/conf.d/own.conf"
    own.parent.mkdir(parents=True)
    own.write_text("listener 1883\nallow_anonymous true\n")
    done = subprocess.run(
        ["sh", INSTALLER, "--root", prefix.root, "--environment", prefix.environment("0.1.0"),
         "--answers", prefix.root.parent / "answers.yaml", "--broker", "whole"],
        capture_output=True, text=True, check=False, umask=0o077,
    )  # fmt: skip
    return prefix, ok(done)


def test_a_strict_root_does_not_shut_the_daemon_out(beside_others: tuple[Prefix, str]) -> None:
    """Whatever root's umask, others can read the program's folders, but not the secrets."""
    prefix, _ = beside_others
    opt = prefix.root / "opt/lullwatt"
    assert {mode(path) for path in (opt, opt / "0.1.0", opt / "0.1.0/deploy")} == {0o755}
    assert mode(opt / "0.1.0/deploy/install.sh") & 0o444 == 0o444
    assert {mode(path) for path in (prefix.etc / "accounts").iterdir()} == {0o600}


def test_one_at_a_time(installed: Prefix) -> None:
    """While another run is active it does nothing, and removes nothing of the other's."""
    draft = installed.etc / "house.yaml.draft"
    draft.write_text("of the other")
    before = installed.picture()
    other = os.open(installed.root, os.O_RDONLY)
    try:
        fcntl.flock(other, fcntl.LOCK_EX)
        for options in ("--back", "--remove"):
            assert "another install.sh is running" in installed.run(options).stderr
        refused = installed.install()
    finally:
        os.close(other)
    assert refused.returncode == 1
    assert "another install.sh is running" in refused.stderr
    assert installed.picture() == before


def test_an_interrupted_run_is_completed_by_the_next(installed: Prefix) -> None:
    """Files written before the failure come into use at the end of the next run, not before."""
    program = installed.environment("0.1.0") / "bin/lullwatt"
    whole = program.read_text("utf-8")
    text = installed.house.read_text("utf-8")
    shed = "  shed: {charging_mode: 3, max_amps: 16, switching: on_off}\n"
    installed.house.write_text(text.replace("charge_points:\n", f"charge_points:\n{shed}"))
    installed.break_command("0.1.0", "check", "something is amiss")
    assert installed.install().returncode == 1
    assert "point.shed" in (installed.root / "etc/mosquitto/home/passwords").read_text()
    installed.program(program, whole)
    printed = ok(installed.install())
    for words in ("restart mosquitto", "daemon-reload", "restart lullwatt"):
        assert f"systemctl {words}\n" in printed
    assert "restart" not in ok(installed.install())


def test_going_back_after_an_interrupted_attempt(installed: Prefix) -> None:
    """The newer ledger was only moved away: the next run puts the copy in its place."""
    ledger = installed.var / "ledger.sqlite3"
    open_ledger(ledger).close()
    mark(ledger, 1)
    ok(installed.install(version="0.2.0"))
    aside = installed.kept / "after-0.2.0"
    aside.mkdir()
    shutil.move(ledger, aside)
    ok(installed.run("--back"))
    assert (installed.in_force, marked(ledger)) == ("0.1.0", 1)
    assert (aside / "ledger.sqlite3").exists()


def test_going_back_after_a_daemon_that_was_killed(installed: Prefix) -> None:
    """Its last rows are in the log alone, which stays with its ledger, wherever a run ended."""
    ledger = installed.var / "ledger.sqlite3"
    open_ledger(ledger).close()
    mark(ledger, 1)
    ok(installed.install(version="0.2.0"))
    newer_schema(ledger)
    with closing(sqlite3.connect(ledger)) as killed:
        killed.execute("PRAGMA journal_mode = WAL")
        mark(ledger, 2)
        left = [(ledger.with_name(ledger.name + end), end) for end in ("", "-wal")]
        files = {path: path.read_bytes() for path, _ in left}
    for path, content in files.items():
        path.write_bytes(content)
    half = installed.kept / "after-0.2.0.part"
    half.mkdir()
    (half / "ledger.sqlite3-wal").write_bytes(b"half")
    ok(installed.run("--back"))
    assert (installed.in_force, marked(ledger)) == ("0.1.0", 1)
    assert marked(installed.kept / "after-0.2.0" / "ledger.sqlite3") == 2
    assert not half.exists()


def test_a_name_that_is_an_address(installed: Prefix) -> None:
    """A fixed address is in the certificate as an address, also after the next run."""
    ok(installed.run("--name", "192.168.1.20"))
    home = installed.root / "etc/mosquitto/home"
    subprocess.run(
        ["openssl", "verify", "-CAfile", installed.etc / "ca.pem", "-verify_ip", "192.168.1.20",
         home / "cert.pem"],
        check=True, capture_output=True,
    )  # fmt: skip
    assert "exists: the broker's certificate, for 192.168.1.20" in ok(installed.run())
    refused = installed.run("--name", "hub,DNS:elsewhere")
    assert (refused.returncode, "neither a name nor an address" in refused.stderr) == (1, True)


def test_a_certificate_with_another_key_is_made_again(installed: Prefix) -> None:
    """If a run stopped between the two, the broker would not start: both are made again."""
    home = installed.root / "etc/mosquitto/home"
    shutil.copy(installed.etc / "authority/ca-key.pem", home / "key.pem")
    printed = ok(installed.run())
    assert f"now: create the broker's certificate, for {NAME}" in printed
    key = public("pkey", "-in", home / "key.pem", "-pubout")
    assert key == public("x509", "-in", home / "cert.pem", "-noout", "-pubkey") != b""


def public(*words: str | Path) -> bytes:
    """Return the public key that an openssl command prints."""
    return subprocess.run(["openssl", *words], check=True, capture_output=True).stdout


def test_an_error_of_openssl_is_shown(installed: Prefix) -> None:
    """With an invalid key of the authority: which step failed, and openssl's own message."""
    (installed.root / "etc/mosquitto/home/cert.pem").unlink()
    (installed.etc / "authority/ca-key.pem").write_text("no key")
    failed = installed.install()
    assert failed.returncode == 1
    assert "openssl x509 failed: " in failed.stderr
    assert "key" in failed.stderr.partition("openssl x509 failed: ")[2]
    assert "then run this again" in failed.stderr


def test_a_shared_folder_stays_as_it_is(beside_others: tuple[Prefix, str]) -> None:
    """A folder that another program made keeps its own permissions."""
    prefix, _ = beside_others
    assert mode(prefix.root / "usr/local/bin") == 0o2775


def test_odd_paths(tmp_path: Path) -> None:
    """Spaces, and characters special to sh and sed, are taken literally, in upgrades too."""
    folder = tmp_path / "of mine & no#1"
    folder.mkdir()
    prefix = Prefix(folder)
    ok(prefix.install())
    assert load_household(prefix.house).bus.tls
    open_ledger(prefix.var / "ledger.sqlite3").close()
    ok(prefix.install(version="0.2.0"))
    assert (prefix.kept / "before-0.2.0/ledger.sqlite3").exists()


def test_no_upgrade_where_the_ledger_cannot_be_found(installed: Prefix) -> None:
    """If the installed version does not accept the file, there is no copy and no upgrade."""
    open_ledger(installed.var / "ledger.sqlite3").close()
    program = installed.environment("0.1.0") / "bin/python"
    installed.program(program, "#!/bin/sh\necho 'house.yaml:1:1: unknown key' >&2\nexit 1\n")
    refused = installed.install(version="0.2.0")
    assert refused.returncode == 1
    assert "the ledger can't be copied" in refused.stderr
    assert installed.in_force == "0.1.0"


def test_a_version_that_leads_elsewhere_is_refused(prefix: Prefix) -> None:
    """The folder named after a wheel's version is never outside the install."""
    for version in ("..", "current", "1/2"):
        wheel = prefix.root.parent / f"lullwatt-{version}-py3-none-any.whl"
        refused = prefix.run("--wheel", str(wheel))
        assert refused.returncode == 1
        assert "no version to install" in refused.stderr
    assert prefix.picture() == {}
