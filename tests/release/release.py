"""All checks before a release, with the real registry: ``make release``.

Builds the sdist and the wheel into ``dist``, installs the wheel on every Python of this machine,
resolves the constraints there, asks an advisory service about them, and looks for the version in
the changelog. Prints a line for each. Ends with exit 1 if a check fails, or if the advisory
service can't be reached.
"""

from __future__ import annotations

import re
import subprocess
import sys
import tempfile
from collections.abc import Callable
from functools import partial
from pathlib import Path
from time import monotonic

from tests.release.building import ROOT, build, clean_copy, project
from tests.release.pythons import Environment, install, make_environment, output_of, pythons

EXTRAS = "embedded,metrics,ocpp,pictures"
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
        install(made, f"{wheel}[{EXTRAS}]")
        took = monotonic() - began
        _pip(made, "check")
        _pip(made, "install", "--quiet", "--dry-run", "--constraint", ROOT / "constraints.txt",
             f"{wheel}[{EXTRAS},test]")  # fmt: skip
        printed = output_of(made, Path(scratch), "--version").strip()
        output_of(made, Path(scratch), "check", str(made.packages() / _EXAMPLE))
        output_of(made, Path(scratch), "rehearse")
    return (
        f"{printed}: newly installed in {took:.0f} s; checks and rehearses; the tests' resolve too"
    )


def _pip(environment: Environment, *arguments: str | Path) -> None:
    _run(environment.python, "-m", "pip", "--disable-pip-version-check", *arguments)


def _advisories() -> str:
    with tempfile.TemporaryDirectory(prefix="lullwatt-release-") as scratch:
        made = make_environment(max(pythons()), Path(scratch), with_pip=True)
        _pip(made, "install", "--quiet", "pip-audit")
        # Strict: what could not be asked about is not taken for sound.
        _run(made.python, "-m", "pip_audit", "--strict", "--no-deps", "--disable-pip",
             "--requirement", ROOT / "constraints.txt")  # fmt: skip
    return "no advisory about anything in constraints.txt"


def _run(*command: str | Path) -> None:
    ran = subprocess.run(command, capture_output=True, text=True, check=False, timeout=600)
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
    good += [_tried("advisories", _advisories), _tried("changelog", _changelog)]
    return 0 if all(good) else 1


if __name__ == "__main__":
    sys.exit(main())
