"""All checks before a release, with the real registry: ``make release``.

Builds the sdist and the wheel into ``dist``, installs the wheel on every Python of this machine,
writes an SBOM beside it, asks an advisory service about all that is installed, and looks for the
version in the changelog. Prints a line for each. Ends with exit 1 if a check fails, or if the
advisory service can't be reached.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import tempfile
from collections.abc import Callable, Mapping
from functools import partial
from itertools import product
from pathlib import Path
from time import monotonic
from typing import Any

from packaging.utils import canonicalize_name

from tests.release.building import ROOT, build, clean_copy, project
from tests.release.locks import ALL, BUILD, RELEASE, RUN, locked
from tests.release.pythons import (
    RUNNING,
    Environment,
    install,
    make_environment,
    output_of,
    pythons,
)

_NOWHERE = "http://127.0.0.1:9"
_EXAMPLE = "config/examples/kowhai.yaml"


def changelog_section(text: str, version: str) -> str | None:
    """Return a changelog's section about a version.

    Parameters
    ----------
    text : str
        The changelog; versions are headings of the second level, with the date of the release.
    version : str
        The version.

    Returns
    -------
    str or None
        Its section without the heading; None where there is none, or nothing in it.
    """
    heading = rf"^## {re.escape(version)} - \d{{4}}-\d\d-\d\d$\n"
    found = re.search(rf"{heading}(.*?)(?=^## |\Z)", text, re.MULTILINE | re.DOTALL)
    return found[1].strip() or None if found else None


def _changelog() -> str:
    version = project()["version"]
    if changelog_section((ROOT / "CHANGELOG.md").read_text("utf-8"), version) is None:
        raise RuntimeError(f'no section "## {version} - DATE", or nothing in it')
    return f"says what {version} brings"


def _built() -> tuple[Path, str]:
    dist = ROOT / "dist"
    for old in dist.glob("lullwatt-*"):
        old.unlink()
    with tempfile.TemporaryDirectory(prefix="lullwatt-release-") as scratch:
        tree = clean_copy(Path(scratch, "tree"))
        made = [build(tree, kind, dist) for kind in ("sdist", "wheel")]
    return made[1], ", ".join(f"{each.name} ({each.stat().st_size:,} bytes)" for each in made)


def _installed(version: tuple[int, int], wheel: Path) -> str:
    with tempfile.TemporaryDirectory(prefix="lullwatt-release-") as scratch:
        began = monotonic()
        made = make_environment(version, Path(scratch, "environment"), with_pip=True)
        install(made, "--require-hashes", "--requirement", ROOT / RUN)
        install(made, "--no-deps", wheel)
        took = monotonic() - began
        _pip(made, "check")
        _pip(made, "install", "--quiet", "--dry-run", "--require-hashes",
             "--requirement", ROOT / ALL)  # fmt: skip
        printed = output_of(made, Path(scratch), "--version").strip()
        output_of(made, Path(scratch), "check", str(made.packages() / _EXAMPLE))
        output_of(made, Path(scratch), "rehearse")
    return (
        f"{printed}: newly installed in {took:.0f} s; checks and rehearses; the tests' resolve too"
    )


def _pip(environment: Environment, *arguments: str | Path) -> None:
    _run(environment.python, "-m", "pip", "--disable-pip-version-check", *arguments)


def _wheels(version: str, platform: str) -> str:
    """Find a wheel with one of the hashes for everything, as a machine without a compiler needs."""
    glibc = [f"--platform=manylinux_2_{minor}_{platform}" for minor in range(17, 37)]
    older = [f"--platform=manylinux2014_{platform}", f"--platform=linux_{platform}"]
    with tempfile.TemporaryDirectory(prefix="lullwatt-release-") as scratch:
        _run(
            sys.executable, "-m", "pip", "--disable-pip-version-check", "install", "--quiet",
            "--dry-run", "--ignore-installed", "--target", scratch, "--only-binary", ":all:",
            "--python-version", version, *glibc, *older, "--require-hashes",
            "--requirement", ROOT / RUN, "--requirement", ROOT / BUILD,
        )  # fmt: skip
    return "a wheel with a known hash for everything"


def _tools(folder: Path) -> Environment:
    made = make_environment(max(pythons()), folder, with_pip=True)
    install(made, "--require-hashes", "--requirement", ROOT / RELEASE)
    return made


def _bill_of_materials(tools: Environment, wheel: Path) -> str:
    """Write an SBOM of the wheel and of what is installed with it, by a new environment."""
    target = wheel.with_name(f"lullwatt-{project()['version']}.cdx.json")
    with tempfile.TemporaryDirectory(prefix="lullwatt-release-") as scratch:
        made = make_environment(RUNNING, Path(scratch, "environment"), with_pip=False)
        into = (sys.executable, "-m", "pip", "--python", made.python, "install", "--quiet")
        _run(*into, "--require-hashes", "--requirement", ROOT / RUN)
        _run(*into, "--no-deps", wheel)
        for origin in made.packages().glob("*/direct_url.json"):
            origin.unlink()  # it names a folder of this machine
        _run(tools.home / "bin" / "cyclonedx-py", "environment", "--output-reproducible",
             "--pyproject", ROOT / "pyproject.toml", "--output-format", "JSON",
             "--output-file", target, made.python)  # fmt: skip
    return f"{target.name}: {check_bill(json.loads(target.read_text('utf-8')))} packages"


def check_bill(bill: dict[str, Any]) -> int:
    """Hold an SBOM against what is locked.

    Parameters
    ----------
    bill : dict
        CycloneDX.

    Returns
    -------
    int
        How many packages it has beside Lullwatt.

    Raises
    ------
    RuntimeError
        If it has others, or other versions, or is of something else.
    """
    has = {canonicalize_name(each["name"]): each["version"] for each in bill["components"]}
    wanted = {name: entry.version for name, entry in locked(RUN).items()}
    own = {"lullwatt": project()["version"]}
    about = bill["metadata"]["component"]
    if has | own != wanted | own or {about["name"]: about["version"]} != own:
        raise RuntimeError(f"not what is installed: {sorted(set(has) ^ set(wanted))}")
    return len(wanted)


def _advisories(tools: Environment) -> str:
    # Strict: what could not be asked about is not taken for sound.
    audit = (tools.python, "-m", "pip_audit", "--strict", "--no-deps", "--disable-pip")
    nowhere = {"HTTPS_PROXY": _NOWHERE, "https_proxy": _NOWHERE, "NO_PROXY": "", "no_proxy": ""}
    try:
        _run(*audit, "--requirement", ROOT / BUILD, environment=os.environ | nowhere)
    except RuntimeError:
        _run(*audit, "--requirement", ROOT / ALL)
        return f"no advisory about anything in {ALL}"
    raise RuntimeError("the audit finds nothing wrong without a network either: not to be believed")


def _run(*command: str | Path, environment: Mapping[str, str] = os.environ) -> None:
    ran = subprocess.run(
        command, capture_output=True, text=True, check=False, timeout=600, env=environment
    )
    if ran.returncode:
        messages = [line for line in ran.stderr.splitlines() if not line.startswith("WARNING")]
        raise RuntimeError((messages or ["no reason given"])[-1])


def _tried(what: str, step: Callable[[], str]) -> bool:
    try:
        sys.stdout.write(f"{what:<12} {step()}\n")
    except (RuntimeError, subprocess.SubprocessError) as error:
        sys.stdout.write(f"{what:<12} WRONG: {error}\n")
        return False
    finally:
        sys.stdout.flush()
    return True


def main() -> int:
    """Run all checks.

    Returns
    -------
    int
        0 if nothing is wrong, else 1.
    """
    wheel, printed = _built()
    sys.stdout.write(f"{'dist':<12} {printed}\n")
    good = [
        _tried(f"Python {version[0]}.{version[1]}", partial(_installed, version, wheel))
        for version in pythons()
    ]
    for version, platform in product(("3.11", "3.12", "3.13"), ("x86_64", "aarch64")):
        good.append(_tried(f"{version} {platform}", partial(_wheels, version, platform)))
    with tempfile.TemporaryDirectory(prefix="lullwatt-release-") as scratch:
        tools = _tools(Path(scratch))
        good += [
            _tried("SBOM", partial(_bill_of_materials, tools, wheel)),
            _tried("advisories", partial(_advisories, tools)),
            _tried("changelog", _changelog),
        ]
    return 0 if all(good) else 1


if __name__ == "__main__":
    sys.exit(main())
