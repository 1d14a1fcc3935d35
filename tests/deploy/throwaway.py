"""Follow the guide from nothing in a throw-away Debian with its own systemd: `make throwaway`.

A minimal Debian with sudo and systemd is made with debootstrap and booted with systemd-nspawn; its
packages come over the network. Needs root. It prints the time of each step, and what only a real
service manager can show: that the hardened unit runs, how its password file is protected, and that
it is restarted after a kill.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from dataclasses import replace
from pathlib import Path
from time import monotonic

from tests.deploy.guide import Step, read_back, script, steps
from tests.deploy.stage import release

SUITE = os.environ.get("LULLWATT_DEBIAN", "bookworm")
MOST_SECONDS = 15 * 60
"""The longest time of a new user's commands, from nothing to a working daemon."""

_BASE = "systemd,systemd-sysv,dbus,sudo,ca-certificates"
_HOST_FILES = ("etc/resolv.conf", "etc/pip.conf", "etc/ssl/certs/ca-certificates.crt")
"""So that the throw-away system reaches the network as this machine does."""

_FOLLOWS = """\
[Unit]
Description=Follows the guide
After=basic.target dbus.service
[Service]
Type=oneshot
Environment=HOME=/root LANG=C.UTF-8 EDITOR=/usr/local/bin/edit
ExecStart=/bin/sh /root/script
ExecStopPost=/bin/systemctl poweroff --force --no-block
StandardOutput=file:/root/output
StandardError=inherit
[Install]
WantedBy=multi-user.target
"""

INSPECT = Step(
    "inspect",
    "machine",
    """\
systemctl show lullwatt -p ActiveState -p StatusText -p User -p NRestarts
stat -c '%n %A %U' /run/credentials/lullwatt.service /run/credentials/lullwatt.service/*
systemd-analyze security --no-pager --threshold=15 lullwatt | tail -n 1
grep -E '^(NoNewPrivs|Seccomp|CapEff)' "/proc/$(systemctl show lullwatt -p MainPID --value)/status"
page=$(systemctl show lullwatt-page -p MainPID --value)
systemctl show lullwatt-page -p ActiveState -p User -p NRestarts
systemd-analyze security --no-pager --threshold=15 lullwatt-page | tail -n 1
grep -E '^(Uid|Groups|NoNewPrivs|Seccomp|CapEff)' "/proc/$page/status"
grep -E '^(VmRSS|RssAnon)' "/proc/$page/status"
ls -la /var/lib/lullwatt /var/lib/lullwatt-page
journalctl --no-pager -u lullwatt-page -n 20
# It may read the ledger, and neither write beside it nor read the daemon's password.
setpriv --reuid lullwatt-page --regid lullwatt-page --init-groups \
    /opt/lullwatt/current/bin/lullwatt nights /etc/lullwatt/house.yaml
! setpriv --reuid lullwatt-page --regid lullwatt-page --init-groups touch /var/lib/lullwatt/x
! setpriv --reuid lullwatt-page --regid lullwatt-page --init-groups \
    cat /etc/lullwatt/accounts/daemon
# A phone that trusts the certificate is let in, and the page reads the ledger for it.
code=$(lullwatt page /etc/lullwatt/house.yaml --pair |
    sed -n 's/^The code is \\([^.]*\\)\\..*/\\1/p')
python3 - "$code" <<'END'
import http.client, ssl, sys, urllib.parse
name = open("/etc/hostname").read().strip()
trust = ssl.create_default_context(cafile="/etc/lullwatt/ca.pem")
page = http.client.HTTPSConnection(name, 8480, context=trust)
form = urllib.parse.urlencode({"code": sys.argv[1], "name": "phone"})
head = {"Content-Type": "application/x-www-form-urlencoded", "Origin": f"https://{name}:8480"}
page.request("POST", "/pair", form, head)
paired = page.getresponse()
paired.read()
page.request("GET", "/nights", headers={"Cookie": paired.headers["Set-Cookie"].partition(";")[0]})
shown = page.getresponse()
print("pairing:", paired.status, "nights:", shown.status)
sys.exit((paired.status, shown.status) != (303, 200))
END
# The unit of prices, with a household file and a server of its own: it writes the price file, which
# others may read, and does not see the ledger.
mkdir -p /srv/prices/v1 /run/systemd/system/lullwatt-prices.service.d
/opt/lullwatt/current/bin/python - <<'END'
import datetime, json, pathlib, zoneinfo
import config
zone = zoneinfo.ZoneInfo("Pacific/Auckland")
day = datetime.datetime.combine(datetime.datetime.now(zone).date(), datetime.time())
hours = [(day + datetime.timedelta(hours=n)).replace(tzinfo=zone) for n in range(48)]
rows = [{"start": hour.isoformat(), "price": 70 + n} for n, hour in enumerate(hours)]
pathlib.Path("/srv/prices/v1/day-ahead").write_text(json.dumps({"data": rows}))
text = pathlib.Path(config.__path__[0], "examples/fetched-day-ahead.yaml").read_text()
text = text.replace("https://prices.example.org", "http://127.0.0.1:8099")
text = text.replace("fetched-prices.csv", "/var/lib/lullwatt-prices/prices.csv")
text = text.replace("?from={date}&to={next_date}", "")
text = text.replace("key_file: price-key", "key_file: prices/key")
pathlib.Path("/etc/lullwatt/fetched.yaml").write_text(text)
END
chgrp lullwatt /etc/lullwatt/fetched.yaml
cat > /run/systemd/system/lullwatt-prices.service.d/other.conf <<'END'
[Service]
ExecStart=
ExecStart=/opt/lullwatt/current/bin/lullwatt fetch-prices /etc/lullwatt/fetched.yaml
END
systemctl daemon-reload
python3 -m http.server --bind 127.0.0.1 --directory /srv/prices 8099 > /dev/null 2>&1 &
server=$!
until python3 -c 'import socket; socket.create_connection(("127.0.0.1", 8099))'; do sleep 1; done
systemctl start lullwatt-prices || { journalctl --no-pager -u lullwatt-prices; false; }
journalctl --no-pager -u lullwatt-prices -n 20
systemd-analyze security --no-pager --threshold=15 lullwatt-prices | tail -n 1
ls -la /var/lib/lullwatt-prices
setpriv --reuid lullwatt --regid lullwatt --init-groups \
    /opt/lullwatt/current/bin/lullwatt check /etc/lullwatt/fetched.yaml | grep -A 2 fetch-prices
systemctl list-timers --no-pager lullwatt-prices.timer
kill "$server"
for unseen in /var/lib/lullwatt /etc/lullwatt/accounts; do
    printf '[Service]\\nExecStart=\\nExecStart=/bin/ls %s\\n' "$unseen" \
        > /run/systemd/system/lullwatt-prices.service.d/other.conf
    systemctl daemon-reload
    ! systemctl start lullwatt-prices
done
journalctl --no-pager -u lullwatt-prices -n 6
rm -r /run/systemd/system/lullwatt-prices.service.d /etc/lullwatt/fetched.yaml
systemctl daemon-reload
systemctl reset-failed lullwatt-prices
cp /etc/lullwatt/house.yaml /root/unannounced.yaml
printf '\\nannounce: {services: [broker], host: board.local, addresses: [192.168.254.253]}\\n' \
    >> /etc/lullwatt/house.yaml
sh deploy/install.sh --announce yes
systemctl show lullwatt-announce -p ActiveState -p NRestarts
systemctl --quiet is-active lullwatt-announce
systemd-analyze security --no-pager --threshold=15 lullwatt-announce | tail -n 1
systemctl reload lullwatt-announce
grep -E '^(Uid|Groups|NoNewPrivs|Seccomp|CapEff|VmRSS)' \
    "/proc/$(systemctl show lullwatt-announce -p MainPID --value)/status"
journalctl --no-pager -u lullwatt-announce -n 20
journalctl --no-pager -u lullwatt-announce | grep -q 'nothing is announced'
sh deploy/install.sh --announce no
cp /root/unannounced.yaml /etc/lullwatt/house.yaml
daemon=$(systemctl show lullwatt -p MainPID --value)
kill -KILL "$page"
for second in $(seq 40); do
    sleep 1
    case "$(systemctl show lullwatt-page -p ActiveState -p NRestarts | tr '\\n' ' ')" in
        'NRestarts=1 ActiveState=active '*) break ;;
    esac
done
systemctl show lullwatt-page -p ActiveState -p NRestarts
systemctl --quiet is-active lullwatt-page
[ "$daemon" = "$(systemctl show lullwatt -p MainPID --value)" ]
systemctl reload lullwatt-page
systemctl --quiet is-active lullwatt-page
kill -KILL "$(systemctl show lullwatt -p MainPID --value)"
for second in $(seq 40); do
    sleep 1
    case "$(systemctl show lullwatt -p ActiveState -p NRestarts | tr '\\n' ' ')" in
        'NRestarts=1 ActiveState=active '*) break ;;
    esac
done
systemctl show lullwatt -p ActiveState -p NRestarts
systemctl --quiet is-active lullwatt
printf 'household: {name: [}\\n' > /etc/lullwatt/bad.yaml
mkdir -p /run/systemd/system/lullwatt.service.d
cat > /run/systemd/system/lullwatt.service.d/bad.conf <<'END'
[Service]
ExecStartPre=
ExecStart=
ExecStart=/opt/lullwatt/current/bin/lullwatt run /etc/lullwatt/bad.yaml
END
systemctl daemon-reload
! systemctl restart lullwatt
systemctl show lullwatt -p ActiveState -p ExecMainStatus -p NRestarts
[ "$(systemctl show lullwatt -p ActiveState --value)" = activating ]
cp /etc/lullwatt/house.yaml /etc/lullwatt/bad.yaml
chgrp lullwatt /etc/lullwatt/bad.yaml
until systemctl --quiet is-active lullwatt; do sleep 1; done
rm -r /run/systemd/system/lullwatt.service.d /etc/lullwatt/bad.yaml
systemctl daemon-reload
systemctl restart lullwatt
journalctl --no-pager -u lullwatt -n 40
""",
)
"""Checks the unit: it restarts after a kill, and with a bad file once that is corrected."""

BROKERS = Step(
    "brokers",
    "machine",
    """\
cd ~/lullwatt-0.1.0
is_heard() {
    for second in $(seq 40); do
        lullwatt status /etc/lullwatt/house.yaml > /root/status || true
        if grep -q 'the daemon has been running since' /root/status; then
            cat /root/status
            return
        fi
        sleep 1
    done
    false
}
sh deploy/install.sh --broker own
is_heard
systemd-analyze security --no-pager --threshold=20 lullwatt-broker | tail -n 1
broker=$(systemctl show lullwatt-broker -p MainPID --value)
grep -E '^(Uid|NoNewPrivs|Seccomp|CapEff)' "/proc/$broker/status"
ls -la /var/lib/lullwatt-broker
kill -KILL "$broker"
for second in $(seq 40); do
    sleep 1
    case "$(systemctl show lullwatt-broker -p ActiveState -p NRestarts | tr '\\n' ' ')" in
        'NRestarts=1 ActiveState=active '*) break ;;
    esac
done
systemctl show lullwatt-broker -p ActiveState -p NRestarts -p User
systemctl --quiet is-active lullwatt-broker mosquitto
is_heard
journalctl --no-pager -u lullwatt-broker -n 20
cp -p /etc/lullwatt/house.yaml /root/house.yaml
sed -i '/^ *ca_file:/d; s#broker: mqtts:#broker: mqtt:#' /etc/lullwatt/house.yaml
sh deploy/install.sh --broker shared || {
    journalctl --no-pager -u mosquitto -n 20
    tail -n 20 /var/log/mosquitto/mosquitto.log
    false
}
is_heard
mosquitto_pub -p 1883 -t others -m go-on
mosquitto_pub -V 5 -q 1 -p 1883 -t lullwatt/kowhai-cottage/x -m no 2>&1 || true
cp -p /root/house.yaml /etc/lullwatt/house.yaml
sh deploy/install.sh --broker whole
is_heard
ls /etc/mosquitto/conf.d /etc/mosquitto/home
! mosquitto_pub -p 1883 -t others -m closed
""",
)
"""Has the broker in each place that is on this machine, and ends where it began."""


def make_root(root: Path) -> None:
    """Make a minimal Debian with the releases and the steps."""
    _run("debootstrap", "--variant=minbase", f"--include={_BASE}", SUITE, str(root))
    for name in _HOST_FILES:
        if Path("/", name).is_file():
            shutil.copy(Path("/", name), root / name)
    _place(root / "etc/hostname", "board\n")
    _place(root / "etc/hosts", "127.0.0.1 localhost\n127.0.1.1 board\n")
    for version in ("0.1.0", "0.1.1"):
        release(root / "root", version)
    _place(root / "usr/local/bin/edit", '#!/bin/sh\necho "# looked through" >> "$1"\n', 0o755)
    _place(root / "root/script", script(_steps()))
    _place(root / "etc/systemd/system/follow.service", _FOLLOWS)
    wants = root / "etc/systemd/system/multi-user.target.wants"
    wants.mkdir(exist_ok=True)
    (wants / "follow.service").symlink_to("/etc/systemd/system/follow.service")


def _steps() -> list[Step]:
    """Return all steps of the page, with checks of the units before the upgrade and the removal."""
    found: list[Step] = []
    for step in steps("machine", "anywhere"):
        if step.name == "upgrade":
            found.append(INSPECT)
        if step.name == "remove":
            found.append(BROKERS)
        quiet = step.name == "packages"
        text = step.text.replace("apt-get", "env DEBIAN_FRONTEND=noninteractive apt-get -qq")
        found.append(replace(step, text=text) if quiet else step)
    return found


def boot(root: Path) -> str:
    """Boot it until it has followed the guide and shut down; return the output."""
    subprocess.run(
        [
            "systemd-nspawn", "--quiet", "--directory", str(root), "--boot", "--register=no",
            "--keep-unit", "--hostname=board", "--console=pipe", "--resolv-conf=off",
        ],
        stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.STDOUT,
        check=False, timeout=3 * MOST_SECONDS,
        env=os.environ | {"SYSTEMD_NSPAWN_UNIFIED_HIERARCHY": "1"},
    )  # fmt: skip
    return (root / "root" / "output").read_text("utf-8", errors="replace")


def report(printed: str, made_seconds: float) -> bool:
    """Print the output and the time of each step; return whether all were done in time."""
    ran = read_back(printed)
    _say(printed)
    _say(f"\nA minimal Debian ({SUITE}) was made in {made_seconds:.0f} s.\n")
    for name, it in ran.items():
        _say(f"| {name} | {it.seconds:.1f} |")
    missing = [step.name for step in _steps() if step.name not in ran]
    names = list(ran)
    first = sum(it.seconds for name, it in ran.items() if names.index(name) <= _index_heard(names))
    _say(f"\nFrom nothing to a charge point that is heard: {first:.0f} s of commands.")
    if missing:
        _say(f"FAILED at the step: {missing[0]}")
    return not missing and first < MOST_SECONDS


def _say(text: str) -> None:
    sys.stdout.write(f"{text}\n")


def _index_heard(names: list[str]) -> int:
    return names.index("hear") if "hear" in names else len(names)


def _place(path: Path, text: str, mode: int = 0o644) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, "utf-8")
    path.chmod(mode)


def _run(*command: str) -> None:
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)


def main() -> int:
    """Run everything in a temporary folder."""
    with tempfile.TemporaryDirectory(prefix="lullwatt-throwaway-") as folder:
        root = Path(folder) / "root"
        began = monotonic()
        make_root(root)
        made = monotonic() - began
        return 0 if report(boot(root), made) else 1


if __name__ == "__main__":
    sys.exit(main())
