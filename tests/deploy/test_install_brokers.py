"""install.sh beside a Mosquitto that others use: nothing of theirs changes without a yes."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from config.household.loading import load_household
from tests.deploy.guide import read_back, script, steps
from tests.deploy.prefix import Prefix
from tests.deploy.stage import on_stage
from tests.deploy.test_guide import NEEDS_ROOT
from tests.deploy.test_install import ok

THEIRS = "listener 1883\nallow_anonymous true\n"


@pytest.fixture
def beside(prefix: Prefix) -> Prefix:
    """Return a root in which others have set up Mosquitto."""
    own = prefix.root / "etc/mosquitto/conf.d/theirs.conf"
    own.parent.mkdir(parents=True)
    own.write_text(THEIRS)
    return prefix


def settings(prefix: Prefix) -> dict[str, str]:
    return {
        path.name: path.read_text("utf-8")
        for path in (prefix.root / "etc/mosquitto/conf.d").iterdir()
    }


def test_a_broker_in_use_is_never_closed_unasked(beside: Prefix) -> None:
    """Without a choice nothing happens; the message shows what was found and what may be chosen."""
    before = beside.picture()
    refused = beside.install()
    assert refused.returncode == 1
    assert beside.picture() == before
    for words in ("listener 1883, allow_anonymous true", "--broker own", "--broker whole"):
        assert words in refused.stderr
    looked = beside.install("--broker", "own", "--dry-run")
    assert "would write" in ok(looked)
    assert beside.picture() == before


def test_a_broker_of_its_own_leaves_the_other_alone(beside: Prefix) -> None:
    """It has a unit, a port, certificates and messages of its own; a second run changes nothing."""
    printed = ok(beside.install("--broker", "own"))
    assert settings(beside) == {"theirs.conf": THEIRS}
    assert "systemctl restart mosquitto\n" not in printed
    assert "systemctl restart lullwatt-broker" in printed
    conf = (beside.root / "etc/mosquitto/home/mosquitto.conf").read_text("utf-8")
    assert "\nlistener 8883\n" in conf
    assert "\npersistence_location /var/lib/lullwatt-broker/\n" in conf
    assert "\nallow_anonymous false\n" in conf
    assert load_household(beside.house).bus.port == 8883
    before = beside.picture()
    again = ok(beside.install())
    assert beside.picture() == before
    assert "now: " not in again


def test_its_port_is_one_that_nobody_has(beside: Prefix) -> None:
    """The other broker is on 8883: the own one takes the next, and the household file says so."""
    theirs = beside.root / "etc/mosquitto/conf.d/theirs.conf"
    theirs.write_text("listener 8883\n")
    ok(beside.install("--broker", "own"))
    assert load_household(beside.house).bus.port == 8884
    conf = (beside.root / "etc/mosquitto/home/mosquitto.conf").read_text("utf-8")
    assert "\nlistener 8884\n" in conf
    refused = beside.install("--broker", "whole")
    assert refused.returncode == 1
    assert "names port 8884" in refused.stderr


def test_there_and_back(beside: Prefix) -> None:
    """From one choice to the other: what was closed is opened again, and no unit stays behind."""
    ok(beside.install("--broker", "whole"))
    assert set(settings(beside)) == {"theirs.conf", "lullwatt.conf"}
    printed = ok(beside.install("--broker", "own"))
    assert settings(beside) == {"theirs.conf": THEIRS}
    assert "systemctl restart mosquitto" in printed
    unit = beside.root / "etc/systemd/system/lullwatt-broker.service"
    assert unit.exists()
    ok(beside.install("--broker", "whole"))
    assert set(settings(beside)) == {"theirs.conf", "lullwatt.conf"}
    assert not unit.exists()
    ok(beside.install("--broker", "own"))
    removed = ok(beside.run("--remove"))
    assert settings(beside) == {"theirs.conf": THEIRS}
    assert not unit.exists()
    assert not (beside.root / "etc/mosquitto/home").exists()
    assert "try-restart mosquitto" not in removed


def test_an_untouched_broker_is_closed_as_before(prefix: Prefix) -> None:
    """Debian's own settings say nothing of others."""
    conf = prefix.root / "etc/mosquitto/mosquitto.conf"
    conf.parent.mkdir(parents=True)
    conf.write_text("pid_file /run/mosquitto/mosquitto.pid\ninclude_dir /etc/mosquitto/conf.d\n")
    ok(prefix.install())
    assert set(settings(prefix)) == {"lullwatt.conf"}


def test_another_word_is_refused(prefix: Prefix) -> None:
    """The usage says which there are."""
    assert prefix.install("--broker", "half").returncode == 2


FOREIGN = """\
mosquitto_passwd -b -c /etc/mosquitto/theirs lamp secret1
mosquitto_passwd -b /etc/mosquitto/theirs heater secret2
chown mosquitto /etc/mosquitto/theirs
cat > /etc/mosquitto/conf.d/theirs.conf <<'END'
listener 1883
allow_anonymous true
password_file /etc/mosquitto/theirs
END
systemctl start mosquitto
stdbuf -oL mosquitto_sub -p 1883 -t 'foreign/#' -v > /root/heard &
await() { for _ in $(seq 600); do if "$@"; then return; fi; sleep 0.1; done; false; }
# Each device says a number every tenth of a second, and at the end how many there were.
count() {
    n=0
    while [ -e /root/goes-on ]; do n=$((n + 1)); echo "$n"; sleep 0.1; done
    echo "$n" > "/root/said-$1"
}
heard() { sed -n "s#^foreign/$1 ##p" /root/heard; }
has_heard() { [ "$(heard "$1" | tail -n 1)" -ge "${2:-$(cat "/root/said-$1")}" ]; }
is_listening() { mosquitto_pub -p 1883 -t foreign/first -m 0; [ -s /root/heard ]; }
await is_listening
touch /root/goes-on
count anonymous | mosquitto_pub -p 1883 -t foreign/anonymous -l &
senders="${senders:-} $!"
count lamp | mosquitto_pub -p 1883 -u lamp -P secret1 -t foreign/lamp -l &
senders="${senders:-} $!"
count heater | mosquitto_pub -p 1883 -u heater -P secret2 -t foreign/heater -l &
senders="${senders:-} $!"
for who in anonymous lamp heater; do await has_heard "$who" 2; done
"""
INSTALL = """\
! sh deploy/install.sh --answers answers.yaml --name "$(uname -n)"
sh deploy/install.sh --answers answers.yaml --name "$(uname -n)" --broker own
lullwatt status /etc/lullwatt/house.yaml || [ $? = 4 ]
sh deploy/install.sh --remove
"""
LOOK = """\
for who in anonymous lamp heater; do
    await has_heard "$who" $(($(heard "$who" | tail -n 1) + 3))
done
rm /root/goes-on
wait $senders
for who in anonymous lamp heater; do
    await has_heard "$who"
    heard "$who" | awk -v who="$who" '
        $1 != ++n { print who, "missed", n; exit } END { print who, "heard all of", n }'
done
"""


@NEEDS_ROOT
def test_three_foreign_clients_notice_nothing(tmp_path: Path) -> None:
    """They publish throughout, one anonymous and two with passwords: each message arrives, once."""
    unpack, answers = (
        next(step for step in steps("anywhere") if step.name == name)
        for name in ("unpack", "answers")
    )
    made = type(unpack)
    wanted = [
        unpack, answers, made("foreign", "anywhere", FOREIGN),
        made("install", "anywhere", INSTALL), made("look", "anywhere", LOOK),
    ]  # fmt: skip
    done = on_stage(script(wanted), tmp_path)
    ran = read_back(done.stdout)
    assert done.returncode == 0, done.stdout
    assert "others use Mosquitto on this machine" in ran["install"].printed
    assert "Lullwatt 0.1.0 is installed." in ran["install"].printed
    assert "nobody-listens" in ran["install"].printed  # the daemon is up, on its own broker
    found = re.findall(r"^(\w+) heard all of (\d+)$", ran["look"].printed, re.MULTILINE)
    assert [who for who, _ in found] == ["anonymous", "lamp", "heater"]
    assert all(int(number) > len(found) for _, number in found)
    assert "missed" not in ran["look"].printed
