"""Find the Pythons of this machine, and make environments with Lullwatt's dependencies.

A clean environment borrows its dependencies. For the Python that runs the tests, these are the
tests' own; for another one a folder is filled from the registry, once for each constraints-run.txt.
"""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import subprocess
import sys
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from tests.release.building import project
from tests.release.licences import needed
from tests.release.locks import RUN, part_of

OLDEST = (3, 11)
RUNNING = sys.version_info[:2]
_ASK = "import sys; print('%d %d' % sys.version_info[:2])"
_NAME = re.compile(r"python3\.([0-9]+)")
_PATIENCE_SECONDS = 600


@dataclass(frozen=True)
class Environment:
    """A virtual environment.

    Attributes
    ----------
    home : Path
        Its folder.
    """

    home: Path

    @property
    def python(self) -> Path:
        """Its interpreter."""
        return self.home / "bin" / "python"

    @property
    def lullwatt(self) -> Path:
        """The installed command."""
        return self.home / "bin" / "lullwatt"

    def packages(self) -> Path:
        """Return the folder of its packages."""
        [folder] = self.home.glob("lib/python3*/site-packages")
        return folder


@cache
def pythons() -> dict[tuple[int, int], Path]:
    """Return the Pythons of this machine that Lullwatt supports, by version.

    Returns
    -------
    dict of tuple of int to Path
        Those on the path, and those that pyenv keeps; each was run.
    """
    # What stands among pyenv's shims answers only for the version that is chosen just now.
    folders = [folder for folder in map(Path, os.get_exec_path()) if folder.name != "shims"]
    folders += Path.home().glob(".pyenv/versions/*/bin")
    found = {RUNNING: Path(sys.executable)}
    for path in (each for folder in folders for each in sorted(folder.glob("python3.*"))):
        named = _NAME.fullmatch(path.name)
        version = (3, int(named[1])) if named else (0, 0)
        if version >= OLDEST and version not in found and _is(path, version):
            found[version] = path
    return dict(sorted(found.items()))


def _is(path: Path, version: tuple[int, int]) -> bool:
    ran = subprocess.run(
        [path, "-c", _ASK], capture_output=True, text=True, check=False, timeout=60
    )
    return ran.stdout.split() == [str(part) for part in version]


def make_environment(version: tuple[int, int], home: Path, *, with_pip: bool) -> Environment:
    """Make a virtual environment.

    Parameters
    ----------
    version : tuple of int
        One of `pythons`.
    home : Path
        Its folder.
    with_pip : bool
        Whether it has its own pip.

    Returns
    -------
    Environment
        It has no packages yet.
    """
    more = [] if with_pip else ["--without-pip"]
    _run(pythons()[version], "-m", "venv", *more, home)
    return Environment(home)


def clean_environment(version: tuple[int, int], home: Path, wheel: Path) -> Environment:
    """Install a wheel into a new environment that borrows its dependencies.

    Parameters
    ----------
    version : tuple of int
        One of `pythons`.
    home : Path
        Its folder.
    wheel : Path
        The wheel of Lullwatt.

    Returns
    -------
    Environment
        With nothing but the wheel in it.
    """
    made = make_environment(version, home, with_pip=False)
    borrowed = _own_packages() if version == RUNNING else _kept_packages(version)
    (made.packages() / "borrowed.pth").write_text(f"{borrowed}\n", "utf-8")
    _install_from_here(made, "--no-index", "--no-deps", wheel)
    return made


def _install_from_here(environment: Environment, *wanted: str | Path) -> None:
    """Have the pip that runs the tests install something; only what is used is compiled, later."""
    _run(
        sys.executable, "-m", "pip", "--python", environment.python, "install", "--quiet",
        "--no-compile", "--disable-pip-version-check", *wanted,
    )  # fmt: skip


def _own_packages() -> Path:
    [folder] = Path(sys.prefix).glob("lib/python3*/site-packages")
    return folder


def _kept_packages(version: tuple[int, int]) -> Path:
    """Return an environment filled from the registry, at most once for each Python version."""
    table = project()
    wanted = needed([*table["dependencies"], *table["optional-dependencies"]["embedded"]])
    pinned = part_of(RUN, wanted)
    name = f"{version[0]}.{version[1]}-{hashlib.sha256(pinned.encode()).hexdigest()[:12]}"
    kept = Path(sys.prefix) / "other-pythons" / name
    if not kept.exists():
        part = kept.with_name(f"{name}.{os.getpid()}.part")
        made = make_environment(version, part, with_pip=False)
        (part / RUN).write_text(pinned, "utf-8")
        _install_from_here(made, "--require-hashes", "--requirement", part / RUN)
        for old in kept.parent.glob(f"{version[0]}.{version[1]}-*[0-9a-f]"):
            shutil.rmtree(old)
        part.rename(kept)
    return Environment(kept).packages()


def install(environment: Environment, *wanted: str | Path) -> None:
    """Have pip install something.

    Parameters
    ----------
    environment : Environment
        With its own pip.
    *wanted : str or Path
        Its arguments.
    """
    _run(
        environment.python, "-m", "pip", "install", "--quiet", "--disable-pip-version-check",
        *wanted,
    )  # fmt: skip


def _run(*command: str | Path) -> None:
    # What PYTHONPATH leads to would count as installed.
    alone = {name: value for name, value in os.environ.items() if name != "PYTHONPATH"}
    ran = subprocess.run(
        command,
        capture_output=True,
        text=True,
        check=False,
        timeout=_PATIENCE_SECONDS,
        env=alone,
    )
    if ran.returncode:
        words = " ".join(map(str, command))
        raise RuntimeError(f"{words}: exit {ran.returncode}\n{ran.stderr}")


def output_of(environment: Environment, folder: Path, *arguments: str) -> str:
    """Run the installed command as a user does, outside any source tree; return its output.

    Parameters
    ----------
    environment : Environment
        Where it is installed.
    folder : Path
        Where it is run.
    *arguments : str
        Its arguments.

    Returns
    -------
    str
        Standard output.

    Raises
    ------
    RuntimeError
        If it ends in any other way than exit 0 with nothing on standard error.
    """
    clean = {key: value for key, value in os.environ.items() if not key.startswith("PYTHON")}
    ran = subprocess.run(
        [environment.lullwatt, *arguments],
        cwd=folder, env=clean, capture_output=True, text=True, check=False, timeout=120,
    )  # fmt: skip
    if ran.returncode or ran.stderr:
        raise RuntimeError(f"lullwatt {' '.join(arguments)}: {ran.returncode}\n{ran.stderr}")
    return ran.stdout
