"""A throw-away root to follow the guide in: this machine's root under a layer of changes.

All changes stay in memory and vanish with the last process: users, services, a broker on port 8883.
Processes and the network are separate too. Needs root and overlayfs.
"""

from __future__ import annotations

import io
import os
import shlex
import subprocess
import sys
import tarfile
from collections.abc import Sequence
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.deploy.guide import ROOT
from tests.support.forked import CALLER, calls, starts
from tests.support.waiting import patience

READY_ENVIRONMENT = "/srv/environment"
_FORKED = Path("/srv/forked")
_PARTS = ("config", "planners", "adapters", "daemon", "deploy", "pyproject.toml",
          "constraints-run.txt", "constraints-build.txt")  # fmt: skip

_LAY = """\
set -eu
stage=$1
mount -t tmpfs none "$stage"
mkdir "$stage/upper" "$stage/work" "$stage/root"
mount -t overlay overlay -o "lowerdir=/,upperdir=$stage/upper,workdir=$stage/work" "$stage/root"
"""
_SET_UP = f"""\
{_LAY}
mount --rbind /dev "$stage/root/dev"
mount -t proc proc "$stage/root/proc"
mount -t tmpfs none "$stage/root/run"
ip link set lo up
cp -r "$2/." "$stage/root/"
cd /
exec env -i PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin HOME=/home/keeper \
    LANG=C.UTF-8 EDITOR=/usr/local/bin/edit LULLWATT_ENVIRONMENT=/srv/environment \
    chroot "$stage/root" sh /home/keeper/script
"""


def is_possible() -> bool:
    """Return whether this machine allows such a root: it needs a root user who may mount."""
    if os.geteuid() != 0:
        return False
    apart = ("unshare", "--mount", "--pid", "--fork", "--net", "--uts")
    with TemporaryDirectory() as folder:
        tried = subprocess.run(
            [*apart, "sh", "-c", _LAY, "stage", folder],
            capture_output=True,
            check=False,
            timeout=patience(60),
        )
    return tried.returncode == 0


def on_stage(script: str, directory: Path) -> subprocess.CompletedProcess[str]:
    """Run a script as root in a throw-away root with the files the guide starts from.

    Parameters
    ----------
    script : str
        For sh.
    directory : Path
        An empty folder for what the stage is set up with.

    Returns
    -------
    subprocess.CompletedProcess
        What it printed, standard error among it.
    """
    laid_on, stage = directory / "laid-on", directory / "stage"
    stage.mkdir()
    _write(laid_on / "home" / "keeper" / "script", _open_ways() + _start_forked() + script)
    _write(laid_on / _FORKED.relative_to("/") / "caller.py", CALLER)
    for version in ("0.1.0", "0.1.1"):
        release(laid_on / "home" / "keeper", version)
    for name, text in _programs().items():
        _write(laid_on / name, text, mode=0o755)
    if shifted_clock := os.environ.get("LD_PRELOAD"):
        _write(laid_on / "etc" / "ld.so.preload", f"{shifted_clock}\n")
    return subprocess.run(
        [
            "unshare", "--mount", "--pid", "--fork", "--kill-child", "--net", "--uts",
            "sh", "-c", _SET_UP, "stage", str(stage), str(laid_on),
        ],
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, check=False,
        timeout=patience(120),
    )  # fmt: skip


def release(folder: Path, version: str) -> Path:
    """Make a release of the present source with this version; return its path."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"lullwatt-{version}.tar.gz"
    with tarfile.open(path, "w:gz", compresslevel=1) as archive:
        for part in (*_PARTS, "README.md", "LICENSE"):
            archive.add(ROOT / part, f"lullwatt-{version}/{part}", filter=_no_litter)
        numbered = (ROOT / "pyproject.toml").read_text("utf-8")
        raw = numbered.replace('version = "0.1.0"', f'version = "{version}"', 1).encode()
        entry = tarfile.TarInfo(f"lullwatt-{version}/pyproject.toml")
        entry.size = len(raw)
        archive.addfile(entry, io.BytesIO(raw))
    return path


def ready_environment(
    version: str | None = None, caller: Sequence[str] | None = None
) -> dict[str, str]:
    """Return the programs of an environment that runs the present source.

    Parameters
    ----------
    version : str, optional
        The version it reports; by default that of the archive it is installed from.
    caller : sequence of str, optional
        The command that runs `lullwatt` or `-c` for the owner of the socket that is its last word.
        For others, and by default, Python is started.

    Returns
    -------
    dict of str to str
        The text of each, by its path.
    """
    answer = f"echo 'lullwatt, version {version}'" if version else _NUMBERED
    python = f"PYTHONPATH='{ROOT}' exec '{sys.executable}'"
    branch = f'if [ "$*" = --version ]; then {answer}; exit; fi'
    start = f"{python} -c 'from daemon.command_line.cli import main; main()'"

    def text(real_start: str, word: str = "") -> str:
        start = f'{real_start} "$@"\n'
        if caller is None:
            return start
        owns = f"[ -O {shlex.quote(caller[-1])} ]"
        return f'if {owns}; then exec {shlex.join(caller)} {word} "$@"; fi\n{start}'

    return {
        "bin/python": f"#!/bin/sh\n{text(python)}",
        "bin/lullwatt": f"#!/bin/sh\n{branch}\n{text(start, 'lullwatt')}",
    }


_NUMBERED = """sed -n 's/^version = "/lullwatt, version /p' pyproject.toml | tr -d '"'"""
"""Prints the version of the release in which the installer runs."""


def _programs() -> dict[str, str]:
    program = Path(__file__).with_name("supervisor.py")
    stand_in = f"#!/bin/sh\nexec '{sys.executable}' -I -S '{program}'"
    ready = ready_environment(caller=calls(_FORKED))
    environment = {f"{READY_ENVIRONMENT[1:]}/{name}": text for name, text in ready.items()}
    return {
        "usr/local/sbin/systemctl": f'{stand_in} "$@"\n',
        "usr/local/sbin/journalctl": "#!/bin/sh\ncat /run/stand-in/lullwatt.log\n",
        "usr/local/bin/sudo": '#!/bin/sh\nexec "$@"\n',
        "usr/local/bin/edit": '#!/bin/sh\necho "# looked through" >> "$1"\n',
        **environment,
    }


def _open_ways() -> str:
    """Return commands that let the daemon's user read the source and Python, on the stage only."""
    places = (ROOT, Path(sys.executable), Path(os.path.realpath(sys.executable)), Path(sys.prefix))
    above = sorted({str(parent) for place in places for parent in place.parents} - {"/"})
    quoted = " ".join(f"'{folder}'" for folder in above)
    return f"chmod o+x {quoted}\nrm -rf /etc/mosquitto/home /etc/mosquitto/conf.d/*\n"


def _start_forked() -> str:
    """Return commands that start the process that forks for root's commands, and wait for it."""
    ready = f"{_FORKED}/ready"
    start = f"cd '{ROOT}' && exec {shlex.join(starts(_FORKED))} >{ready}"
    return f"mkfifo {ready}\n({start}) &\nread -r _ <{ready}\n"


def _no_litter(entry: tarfile.TarInfo) -> tarfile.TarInfo | None:
    return None if "__pycache__" in entry.name else entry


def _write(path: Path, text: str, mode: int = 0o644) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, "utf-8")
    path.chmod(mode)
