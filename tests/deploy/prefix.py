"""Run install.sh into a folder as if it were /, with ready environments of several versions."""

from __future__ import annotations

import hashlib
import shlex
import subprocess
from pathlib import Path

from tests.deploy.guide import ROOT
from tests.deploy.stage import ready_environment
from tests.support.forked import caller

INSTALLER = ROOT / "deploy" / "install.sh"
NAME = "hub.home.arpa"
ANSWERS = """\
name: Kowhai Cottage
timezone: Pacific/Auckland
currency: NZD
cheap_hours: ["21:00-07:00"]
cheap_rate: 0.168
other_rate: 0.305
outlet: charge_point
"""


class Prefix:
    """A separate root below a test's folder."""

    def __init__(self, directory: Path) -> None:
        self.root = directory / "root"
        self.root.mkdir()
        self._directory = directory
        self._answers = directory / "answers.yaml"
        self._answers.write_text(ANSWERS, "utf-8")

    @property
    def var(self) -> Path:
        return self.root / "var/lib/lullwatt"

    @property
    def kept(self) -> Path:
        """The folder with copies of earlier versions, which only root may write to."""
        return self.root / "var/backups/lullwatt"

    @property
    def etc(self) -> Path:
        return self.root / "etc/lullwatt"

    @property
    def house(self) -> Path:
        return self.etc / "house.yaml"

    @property
    def in_force(self) -> str:
        """The version that `current` points to."""
        return str((self.root / "opt/lullwatt/current").readlink())

    def install(self, *options: str, version: str = "0.1.0") -> subprocess.CompletedProcess[str]:
        """Install this version, or run the installer with these options."""
        return self.run(
            "--environment", str(self.environment(version)), "--name", NAME,
            "--answers", str(self._answers), *options,
        )  # fmt: skip

    def run(self, *options: str) -> subprocess.CompletedProcess[str]:
        """Run the installer in this root, without a terminal."""
        return subprocess.run(
            ["sh", str(INSTALLER), "--root", str(self.root), *options],
            stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False,
        )  # fmt: skip

    def environment(self, version: str) -> Path:
        """Return the ready environment of a version, made at the first call."""
        folder = self._directory / f"environment-{version}"
        if not folder.exists():
            for name, text in ready_environment(version, caller()).items():
                self.program(folder / name, text)
        return folder

    def break_command(self, version: str, command: str, message: str) -> None:
        """Make a command of an environment fail, as it might in another version."""
        path = self.environment(version) / "bin/lullwatt"
        head, _, rest = path.read_text("utf-8").partition("\n")
        text = shlex.quote(message)
        broken = f'if [ "$1" = {command} ]; then echo {text} >&2; exit 2; fi'
        self.program(path, f"{head}\n{broken}\n{rest}")

    @staticmethod
    def program(path: Path, text: str) -> None:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, "utf-8")
        path.chmod(0o755)

    def picture(self) -> dict[str, str]:
        """Return every file with its permissions, owner, time and content, for comparison."""
        return {str(path.relative_to(self.root)): _of(path) for path in self.root.rglob("*")}


def _of(path: Path) -> str:
    """Return an entry's state; a folder without its time, which a temporary file changes."""
    status = path.lstat()
    rights = f"{status.st_mode:o} {status.st_uid}:{status.st_gid}"
    if path.is_symlink():
        return f"{rights} -> {path.readlink()}"
    if path.is_dir():
        return rights
    return f"{rights} {status.st_mtime_ns} {hashlib.sha256(path.read_bytes()).hexdigest()}"
