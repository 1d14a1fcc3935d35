"""Run the core of the tests as on a small 64-bit board: ``make board``.

A Debian for arm64 is put together from its packages, with the locked wheels for arm64, and run by
qemu's emulation of the processor. It shows that the code and all that it needs is right there. Its
times and its memory are the emulation's, and say nothing of a board. Needs root, the packages that
the Makefile installs, and the network.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.release.building import ROOT, clean_copy
from tests.release.locks import ALL

SUITE = "bookworm"
PYTHON = "3.11"
"""What that Debian has."""

_PACKAGES = "python3,python3-venv,ca-certificates,mosquitto,mosquitto-clients,procps"
_SOURCE, _WHEELS = "opt/lullwatt", "opt/wheels"

CORE = (
    "tests/planners/solver",
    "tests/planners/local_time",
    "tests/planners/joint",
    "tests/daemon/control",
    "tests/adapters/ledger",
    "tests/adapters/bus",
)
"""What could differ there: exact sums of floats, times, numpy, HiGHS, SQLite, and a real broker."""

TOO_SLOW_THERE = (
    "tests/planners/joint/test_integer_programme.py"
    "::test_a_gap_that_prices_leave_is_closed_after_the_rounds"
)
"""HiGHS has so many seconds in it, and the emulation takes longer."""

_IN_ROOT = f"""\
set -e
mount --bind /dev "$1/dev"
mount -t proc proc "$1/proc"
mount -t tmpfs none "$1/tmp"
mkdir -p "$1/dev/shm"
exec chroot "$1" /usr/bin/env -i HOME=/root LANG=C.UTF-8 PATH=/usr/sbin:/usr/bin:/sbin:/bin \\
    PYTHONPATH=/{_SOURCE}:/{_WHEELS} sh -ec 'cd /{_SOURCE}; exec "$@"' in-root "${{@:2}}"
"""


def make_root(root: Path) -> None:
    """Put a Debian for arm64 together, without running anything of it."""
    _run(
        "debootstrap", "--foreign", "--arch=arm64", "--variant=minbase",
        f"--include={_PACKAGES}", SUITE, root,
    )  # fmt: skip
    for package in sorted(root.glob("var/cache/apt/archives/*.deb")):
        _run("dpkg-deb", "--extract", package, root)
        package.unlink()
    for name in ("passwd", "group"):
        shutil.copy(root / f"usr/share/base-passwd/{name}.master", root / f"etc/{name}")
    (root / "etc/hosts").write_text("127.0.0.1 localhost\n", "ascii")
    clean_copy(root / _SOURCE)
    glibc = [f"--platform=manylinux_2_{minor}_aarch64" for minor in range(17, 37)]
    _run(
        sys.executable, "-m", "pip", "install", "--quiet", "--disable-pip-version-check",
        "--target", root / _WHEELS, "--only-binary", ":all:", "--python-version", PYTHON, *glibc,
        "--platform=manylinux2014_aarch64", "--require-hashes", "--requirement", ROOT / ALL,
    )  # fmt: skip


def run_in(root: Path, *command: str) -> int:
    """Run a command in it, from the folder of the source; return how it ended."""
    return subprocess.run(
        ["unshare", "--mount", "--pid", "--fork", "bash", "-c", _IN_ROOT, "board", root, *command],
        check=False,
    ).returncode


def _run(*command: str | Path) -> None:
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)


def main() -> int:
    """Make it in a temporary folder, and run the core of the tests and a rehearsed night.

    Returns
    -------
    int
        0 if all went well.
    """
    with tempfile.TemporaryDirectory(prefix="lullwatt-board-") as folder:
        root = Path(folder) / "root"
        make_root(root)
        lullwatt = "from daemon.command_line.cli import main; main()"
        ends = [
            run_in(root, "python3", "-c", "import platform; print(platform.machine())"),
            run_in(root, "python3", "-c", lullwatt, "rehearse"),
            run_in(root, "python3", "-m", "pytest", "-q", "-p", "no:cacheprovider", "-n", "2",
                   "--dist", "loadfile", "--deselect", TOO_SLOW_THERE, *CORE),
        ]  # fmt: skip
    return 1 if any(ends) else 0


if __name__ == "__main__":
    sys.exit(main())
