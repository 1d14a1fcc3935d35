"""Build the images and start the compose file, by the guide's own commands: ``make container``.

Needs root, and the network for packages. If no image registry can be reached, images made here with
debootstrap take the names of the missing ones, so that the same commands run. Limits of memory and
processes are omitted, because not every test machine allows them. The containers' other
restrictions are tested.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.deploy.guide import read_back, script, steps
from tests.deploy.stage import READY_ENVIRONMENT, ready_environment, release

BASE = "docker.io/library/python:3.13-slim-bookworm"
BROKER = "docker.io/library/eclipse-mosquitto:2.0.22"

_PACKAGES = "python3,python3-venv,ca-certificates,mosquitto"
_HOST_FILES = ("etc/resolv.conf", "etc/pip.conf", "etc/ssl/certs/ca-certificates.crt")
_ANSWERS_STEP = ("unpack", "answers", "container files")

_PODMAN = """\
#!/bin/sh
# Leaves out what this machine may not let us set.
leave=
for word do
    shift
    case $leave$word in
        skip*) leave= ; continue ;;
        --memory | -m | --pids-limit) leave=skip ; continue ;;
        --memory=* | --pids-limit=*) continue ;;
    esac
    set -- "$@" "$word"
done
exec /usr/bin/podman --root {folder}/images --runroot {folder}/run --storage-driver overlay \\
    --cgroup-manager=cgroupfs "$@"
"""
_CONTAINERS = """\
[containers]
cgroups = "disabled"
default_ulimits = ["nofile=1024:1024", "nproc=1024:1024"]
log_driver = "k8s-file"
[engine]
events_logger = "file"
[network]
network_backend = "netavark"
"""
_LOOK = """\
podman ps --all
podman exec lullwatt-daemon sh -c 'id; grep -E "CapEff|NoNewPrivs" /proc/self/status
    ls -la /etc/lullwatt /run/secrets /var/lib/lullwatt
    [ ! -e /etc/lullwatt/accounts ] && [ ! -e /etc/lullwatt/authority ]
    ! touch /etc/lullwatt/x && ! touch /opt/x && [ "$(id -u)" = 1000 ]'
podman healthcheck run lullwatt-daemon
podman exec lullwatt-page sh -c '! touch /var/lib/lullwatt/x; ls -la /run/secrets'
podman exec lullwatt-page lullwatt page /etc/lullwatt/house.yaml --pair
podman exec lullwatt-page lullwatt nights /etc/lullwatt/house.yaml
podman healthcheck run lullwatt-page
podman logs lullwatt-page
podman logs lullwatt-daemon
podman logs lullwatt-broker
podman logs lullwatt-daemon 2>&1 | grep -q "connected to the broker"
"""


def make_base(root: Path) -> None:
    """Make the root of an image with Python and the broker."""
    _run("debootstrap", "--variant=minbase", f"--include={_PACKAGES}", "bookworm", str(root))
    for name in _HOST_FILES:
        if Path("/", name).is_file():
            shutil.copy(Path("/", name), root / name)


def follow(folder: Path) -> str:
    """Run the guide's steps with images in this folder; return the output."""
    home = folder / "home"
    release(home, "0.1.0")
    programs = folder / "programs"
    _program(programs / "podman", _PODMAN.format(folder=folder))
    _program(programs / "sudo", '#!/bin/sh\nexec "$@"\n')
    _program(programs / "id", "#!/bin/sh\necho 1000\n")  # of who follows the guide
    environment = folder / READY_ENVIRONMENT.rpartition("/")[2]
    for name, text in ready_environment().items():
        _program(environment / name, text)
    (folder / "containers.conf").write_text(_CONTAINERS, "utf-8")
    (folder / "script").write_text(_whole_script(folder), "utf-8")
    done = subprocess.run(
        [
            "unshare", "--mount", "--pid", "--fork", "--kill-child", "--mount-proc",
            "sh", folder / "script",
        ],
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, check=False,
        env=os.environ
        | {
            "PATH": f"{programs}:{os.environ['PATH']}:/usr/sbin",
            "HOME": str(home),
            "BUILDAH_ISOLATION": "chroot",
            "CONTAINERS_CONF": str(folder / "containers.conf"),
            "LULLWATT_ENVIRONMENT": str(environment),
        },
    )  # fmt: skip
    return done.stdout


def _whole_script(folder: Path) -> str:
    """Return the script: the images, the steps before, and those in containers with a check."""
    first = [step for step in steps("anywhere") if step.name in _ANSWERS_STEP]
    *starting, ending = steps("container")
    look = type(ending)("a look", "container", _LOOK)
    images = "\n".join(
        [
            # Removed in good order, or their rules for the network would outlast them.
            "trap 'podman rm --all --force >/dev/null 2>&1' EXIT",
            "mount -t cgroup2 none /sys/fs/cgroup",
            f"tar -C {folder}/base -c . | podman import --quiet - {BASE}",
            f"podman tag {BASE} {BROKER}",
        ]
    )
    return f"set -eu\n{images}\n{script([*first, *starting, look, ending])}"


def _program(path: Path, text: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, "utf-8")
    path.chmod(0o755)


def _run(*command: str) -> None:
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)


def main() -> int:
    """Run everything in a temporary folder."""
    with tempfile.TemporaryDirectory(
        prefix="lullwatt-container-", ignore_cleanup_errors=True
    ) as folder:
        make_base(Path(folder) / "base")
        printed = follow(Path(folder))
        sys.stdout.write(printed)
    ran = read_back(printed)
    for name, it in ran.items():
        sys.stdout.write(f"| {name} | {it.seconds:.1f} |\n")
    missing = [step.name for step in steps("container") if step.name not in ran]
    if missing:
        sys.stdout.write(f"FAILED at the step: {missing[0]}\n")
    return 1 if missing else 0


if __name__ == "__main__":
    sys.exit(main())
