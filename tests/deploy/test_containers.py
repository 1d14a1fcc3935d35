"""The container file and the compose file: linted, isolated, and consistent with the installer."""

from __future__ import annotations

import gzip
import json
import re
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import pytest
import yaml
from click.testing import CliRunner
from jsonschema import Draft202012Validator

from daemon.command_line.cli import cli
from tests.deploy.guide import ROOT

CONTAINERFILE = ROOT / "deploy" / "Containerfile"
TEXT = CONTAINERFILE.read_text("utf-8")
COMPOSE: dict[str, Any] = yaml.safe_load((ROOT / "deploy" / "compose.yaml").read_text("utf-8"))
PRICES: dict[str, Any] = yaml.safe_load(
    (ROOT / "deploy" / "compose-prices.yaml").read_text("utf-8")
)
SERVICES: dict[str, dict[str, Any]] = COMPOSE["services"] | {"prices": PRICES["services"]["prices"]}
SCHEMA_PATH = ROOT / "tests" / "data" / "compose_spec.json.gz"


def lint(path: Path) -> subprocess.CompletedProcess[str]:
    program = Path(sys.executable).with_name("hadolint")
    return subprocess.run(
        [program, "--no-color", path], capture_output=True, text=True, check=False
    )


def test_the_container_file_is_lint_free() -> None:
    """Hadolint, which also checks the shell in RUN by shellcheck's rules, finds no fault."""
    found = lint(CONTAINERFILE)
    assert (found.returncode, found.stdout) == (0, "")


def test_lint_would_be_found(tmp_path: Path) -> None:
    """The check above can fail: it finds an image that ends as root."""
    copy = tmp_path / "Containerfile"
    copy.write_text(TEXT.replace("USER 10001:10001", "USER root"))
    assert "DL3002" in lint(copy).stdout


def complaints(document: object) -> list[str]:
    """Return how a compose file breaks the schema of the Compose Specification."""
    schema = json.loads(gzip.decompress(SCHEMA_PATH.read_bytes()))
    return [error.message for error in Draft202012Validator(schema).iter_errors(document)]


def test_the_compose_file_fits_its_specification() -> None:
    """It has no key and no value outside the published schema."""
    assert complaints(COMPOSE) == complaints(PRICES) == []


def test_an_unknown_key_is_found() -> None:
    """The check above can fail."""
    services = {**SERVICES, "daemon": {**SERVICES["daemon"], "read_onIy": True}}
    assert any("read_onIy" in it for it in complaints({**COMPOSE, "services": services}))


@pytest.mark.parametrize("name", SERVICES)
def test_containers_have_only_the_rights_they_need(name: str) -> None:
    """No root, no capabilities, no new privileges, only the store writable, and limits."""
    service = SERVICES[name]
    assert service["cap_drop"] == ["ALL"]
    assert service["security_opt"] == ["no-new-privileges:true"]
    assert service["read_only"] is True
    assert service["user"].startswith("${LULLWATT_USER:?")
    assert {"pids_limit", "mem_limit"} <= service.keys()
    assert not {"privileged", "cap_add", "devices"} & service.keys()
    writable = [volume for volume in service["volumes"] if not volume.endswith(":ro")]
    assert len(writable) == 1
    assert writable[0].rpartition(":")[2].startswith("/var/lib/")


def test_only_encrypted_ports_are_open() -> None:
    """Only the broker's and the page's can be reached from outside; both need TLS."""
    assert SERVICES["broker"]["ports"] == ["8883:8883"]
    assert SERVICES["page"]["ports"] == ["8480:8480"]
    assert not {"ports", "network_mode"} & SERVICES["daemon"].keys()


def test_mounted_files_are_made_by_the_installer() -> None:
    """Each path below `home` is one that install.sh writes to, or a store."""
    installer = (ROOT / "deploy" / "install.sh").read_text("utf-8")
    sources = [
        volume.split(":")[0] for service in SERVICES.values() for volume in service["volumes"]
    ]
    sources += [secret["file"] for secret in COMPOSE["secrets"].values()]
    for source in sources:
        place = source.removeprefix("./home")
        if place == source:
            assert (ROOT / "deploy" / source).is_file()
        elif place != "/var/lib/mosquitto":
            assert Path(place).name in installer


@pytest.mark.parametrize(
    ("name", "more"),
    [("daemon", set()), ("page", {"/etc/lullwatt/page", "/var/lib/lullwatt-page"})],
)
def test_each_sees_only_its_own_secret(name: str, more: set[str]) -> None:
    """The other passwords and the authority's key are not mounted, nor any folder above them."""
    seen = {volume.split(":")[1] for volume in SERVICES[name]["volumes"]}
    assert seen == {"/etc/lullwatt/house.yaml", "/etc/lullwatt/ca.pem", "/var/lib/lullwatt"} | more
    assert SERVICES[name]["secrets"] == [name]
    source = COMPOSE["secrets"][name]["file"]
    assert source == f"./home/etc/lullwatt/accounts/{name}"


def test_the_page_cannot_write_the_ledger() -> None:
    """It has the daemon's folder to read, and needs no daemon to run."""
    assert "./home/var/lib/lullwatt:/var/lib/lullwatt:ro" in SERVICES["page"]["volumes"]
    assert SERVICES["page"]["depends_on"] == ["broker"]


def test_the_image_runs_without_root_and_looks_after_itself() -> None:
    """Its last user is a number other than 0; its commands exist in Lullwatt."""
    assert re.findall(r"^USER (\d+)", TEXT, re.MULTILINE)[-1] not in {"", "0"}
    [health] = re.findall(r"^HEALTHCHECK .*\\\n *CMD (\[.*\])$", TEXT, re.MULTILINE)
    [start] = re.findall(r"^CMD (\[.*\])$", TEXT, re.MULTILINE)
    for words in (json.loads(health)[1:], json.loads(start)):
        asked = CliRunner().invoke(cli, [*words, "--help"])
        assert asked.exit_code == 0, asked.output
    [entry] = re.findall(r"^ENTRYPOINT (.*)$", TEXT, re.MULTILINE)
    assert [json.loads(health)[0]] == json.loads(entry)


def test_all_copied_files_exist() -> None:
    """Each source of a COPY is in the repository, and each package of the wheel is copied."""
    copied = [
        word
        for line in re.findall(r"^COPY (?!--from)(.*)$", TEXT, re.MULTILINE)
        for word in line.split()[:-1]
    ]
    assert all((ROOT / word).exists() for word in copied)
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
    packages = project["tool"]["setuptools"]["packages"]
    assert {package.partition(".")[0] for package in packages} <= set(copied)
