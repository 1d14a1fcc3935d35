"""A small replacement for systemd on the stage, called as ``systemctl``: it runs units.

It imports nothing of Lullwatt and supports what the units in deploy need: user, groups, credential,
check before the start, socket for readiness and signs of life, reload and stop. It starts the
broker as Debian does. Only systemd itself can test the hardening (`make throwaway`).
"""

from __future__ import annotations

import json
import os
import pwd
import shlex
import shutil
import signal
import socket
import subprocess
import sys
from pathlib import Path
from threading import Event

STATE = Path("/run/stand-in")
UNITS = Path("/etc/systemd/system")
PATIENCE_SECONDS = 300.0
_LOOKS_EVERY_SECONDS = 0.02


def main(arguments: list[str]) -> int:
    """Carry out a call of systemctl."""
    words = [word for word in arguments if not word.startswith("-")]
    verb, units = words[0], [word.removesuffix(".service") for word in words[1:]]
    STATE.mkdir(exist_ok=True)
    if verb == "keep":
        return _keep(units[0])
    if verb == "disable" and "--now" in arguments:
        verb = "stop"
    return max((_do(verb, unit) for unit in units), default=0)


def _say(text: str) -> None:
    sys.stdout.write(f"{text}\n")
    sys.stdout.flush()


def _do(verb: str, unit: str) -> int:
    state = _state(unit)
    # No timer is due while the guide is followed.
    if verb in {"enable", "disable"} or unit.endswith(".timer"):
        return 0
    if verb == "is-active":
        return 0 if state else 3
    if verb == "status":
        _say(f"{unit}: {'active' if state else 'inactive'}\n{_log(unit).read_text('utf-8')}")
        return 0 if state else 3
    if verb in {"reload", "kill"}:  # no other signal than SIGHUP is sent
        os.kill(state["main"], signal.SIGHUP)
        return 0
    if verb in {"stop", "restart", "try-restart"} and state:
        _stop(unit, state)
    if verb in {"start", "restart"} or (verb == "try-restart" and state):
        return _start(unit)
    return 0


def _state(unit: str) -> dict[str, int]:
    """Return the processes of a unit that is ready; empty if it is not."""
    try:
        state: dict[str, int] = json.loads((STATE / unit).read_text("utf-8"))
    except FileNotFoundError:
        return {}
    return state


def _log(unit: str) -> Path:
    return STATE / f"{unit}.log"


def _start(unit: str) -> int:
    (STATE / f"{unit}.failed").unlink(missing_ok=True)
    with _log(unit).open("ab") as log:
        subprocess.Popen(
            [sys.executable, __file__, "keep", unit], stdout=log, stderr=log, start_new_session=True
        )
    _wait(lambda: bool(_state(unit)) or (STATE / f"{unit}.failed").exists())
    if _state(unit):
        return 0
    _say(_log(unit).read_text("utf-8"))
    return 1


def _stop(unit: str, state: dict[str, int]) -> None:
    os.kill(state["main"], signal.SIGTERM)
    _wait(lambda: not (STATE / unit).exists())


def _wait(holds: object) -> None:
    assert callable(holds)
    pause = Event()
    for _ in range(int(PATIENCE_SECONDS / _LOOKS_EVERY_SECONDS)):
        if holds():
            return
        pause.wait(_LOOKS_EVERY_SECONDS)
    sys.exit("the stand-in has lost patience")


def _keep(unit: str) -> int:
    """Start a unit and supervise it until it ends."""
    if unit == "mosquitto":
        code = _keep_broker()
    elif unit == "lullwatt-broker":
        code = _keep_own_broker(unit)
    else:
        code = _keep_notified(unit)
    (STATE / unit).unlink(missing_ok=True)
    (STATE / f"{unit}.failed").touch()
    _say(f"{unit} ended with {code}")
    return 0


def _keep_broker() -> int:
    configuration = "/etc/mosquitto/mosquitto.conf"
    Path("/run/mosquitto").mkdir(exist_ok=True)
    shutil.chown("/run/mosquitto", "mosquitto")
    main = subprocess.Popen(["/usr/sbin/mosquitto", "-c", configuration])
    _wait(lambda: main.poll() is not None or _accepts(8883) or _accepts(1883))
    _now_ready("mosquitto", main.pid)
    return main.wait()


def _keep_own_broker(unit: str) -> int:
    says = _unit(unit)
    _folders(says["User"], says)
    command = shlex.split(says["ExecStart"])
    settings = Path(command[-1]).read_text("utf-8").splitlines()
    port = next(int(line.split()[1]) for line in settings if line.startswith("listener "))
    main = subprocess.Popen(command, user=says["User"], group=says["Group"])
    _wait(lambda: main.poll() is not None or _accepts(port))
    _now_ready(unit, main.pid)
    return main.wait()


def _accepts(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


def _now_ready(unit: str, main: int) -> None:
    new = STATE / f"{unit}.new"
    new.write_text(json.dumps({"main": main}), "utf-8")
    new.replace(STATE / unit)


def _unit(unit: str) -> dict[str, str]:
    lines = (UNITS / f"{unit}.service").read_text("utf-8").splitlines()
    pairs = [line.partition("=") for line in lines if "=" in line and not line.startswith("#")]
    return {key: value for key, _, value in pairs}


def _keep_notified(unit: str) -> int:
    says = _unit(unit)
    user = says["User"]
    _folders(user, says)
    listening = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    address = STATE / f"{unit}.notify"
    address.unlink(missing_ok=True)
    listening.bind(str(address))
    address.chmod(0o666)
    environment = {
        "PATH": "/usr/bin:/bin",
        "CREDENTIALS_DIRECTORY": str(_hand_over(unit, user, says["LoadCredential"])),
    }
    groups = says.get("SupplementaryGroups", "").split()
    check = subprocess.run(
        shlex.split(says.get("ExecStartPre", "true")), user=user, group=user, extra_groups=groups,
        check=False, env=environment,
    )  # fmt: skip
    if check.returncode:
        return check.returncode
    seconds = int(says["WatchdogSec"])
    main = subprocess.Popen(
        shlex.split(says["ExecStart"]), user=user, group=user, extra_groups=groups,
        umask=int(says["UMask"], 8),
        env=environment
        | {"NOTIFY_SOCKET": str(address), "WATCHDOG_USEC": str(seconds * 1_000_000)},
    )  # fmt: skip
    return _listen(unit, main, listening, seconds)


def _folders(user: str, says: dict[str, str]) -> None:
    """Make the folders of StateDirectory."""
    state = Path("/var/lib") / says["StateDirectory"]
    state.mkdir(exist_ok=True)
    shutil.chown(state, user, user)


def _hand_over(unit: str, user: str, credential: str) -> Path:
    """Provide a credential as systemd 252 does on a ramfs: 0400, owned by its reader."""
    name, _, source = credential.partition(":")
    folder = Path("/run/credentials") / f"{unit}.service"
    folder.mkdir(parents=True, exist_ok=True)
    copy = folder / name
    copy.unlink(missing_ok=True)
    copy.write_bytes(Path(source).read_bytes())
    for path, mode in ((copy, 0o400), (folder, 0o500)):
        path.chmod(mode)
        os.chown(path, pwd.getpwnam(user).pw_uid, -1)
    return folder


def _listen(
    unit: str, main: subprocess.Popen[bytes], listening: socket.socket, seconds: int
) -> int:
    """Receive the unit's notices; kill it if a sign of life is late."""
    listening.settimeout(0.2)
    silent = 0.0
    while main.poll() is None:
        try:
            lines = listening.recv(4096).decode().splitlines()
        except TimeoutError:
            silent += 0.2
        else:
            silent = 0.0 if "WATCHDOG=1" in lines or "READY=1" in lines else silent
            if "READY=1" in lines:
                _now_ready(unit, main.pid)
        if silent > seconds:
            main.send_signal(signal.SIGABRT)
    return main.wait()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
