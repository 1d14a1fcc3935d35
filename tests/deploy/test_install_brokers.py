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
    assert "names the broker mqtts://127.0.0.1:8884" in refused.stderr


def test_there_and_back(beside: Prefix) -> None:
    """From one choice to the other: what was closed is opened again, and no unit stays behind."""
    ok(beside.install("--broker", "whole"))
    assert set(settings(beside)) == {"theirs.conf", "lullwatt.conf"}
    printed = ok(beside.install("--broker", "own"))
    assert settings(beside) == {"theirs.conf": THEIRS}
    assert "systemctl restart mosquitto" in printed
    assert "systemctl restart lullwatt\n" in printed  # it must connect to the other one
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


THEIR_NAMES = "lamp:$7$101$x$y\n"
THEIR_LIST = "topic readwrite #\nuser lamp\ntopic readwrite #\n"


def test_accounts_where_there_were_none(beside: Prefix) -> None:
    """Others keep what they have; only Lullwatt's topics are closed to them; all can be undone."""
    before = settings(beside)
    printed = ok(beside.install("--broker", "shared"))
    assert "restart mosquitto" not in printed
    assert load_household(beside.house).bus.port == 1883
    home = beside.root / "etc/mosquitto/home"
    rules = (home / "rules").read_text("utf-8")
    assert rules.startswith("pattern readwrite #\npattern readwrite $SYS/#\n")
    assert "\npattern deny lullwatt/kowhai-cottage/#\n" in rules
    ours = settings(beside)["lullwatt-accounts.conf"]
    assert "\nacl_file /etc/mosquitto/home/rules\n" in ours
    assert "\npassword_file /etc/mosquitto/home/passwords\n" in ours
    ok(beside.run("--remove"))
    assert settings(beside) == before


def test_accounts_among_those_of_others(beside: Prefix) -> None:
    """Their lists keep every line, get Lullwatt's, and lose those again."""
    theirs = beside.root / "etc/mosquitto/conf.d/theirs.conf"
    theirs.write_text(f"{THEIRS}acl_file /etc/theirs\npassword_file /etc/their-names\n")
    rules, names = beside.root / "etc/theirs", beside.root / "etc/their-names"
    rules.write_text(THEIR_LIST)
    names.write_text(THEIR_NAMES)
    ok(beside.install("--broker", "shared"))
    assert rules.read_text("utf-8").startswith(THEIR_LIST)
    assert "\npattern deny lullwatt/kowhai-cottage/#\n" in rules.read_text("utf-8")
    assert "\nuser kowhai-cottage.daemon\n" in rules.read_text("utf-8")
    assert names.read_text("utf-8").startswith(THEIR_NAMES)
    assert "\nkowhai-cottage.people:$7$" in names.read_text("utf-8")
    picture = beside.picture()
    assert "now: " not in ok(beside.install())
    assert beside.picture() == picture
    # A right that is new reaches the broker, though no account is.
    house = beside.house.read_text("utf-8")
    more = "main_fuse_amps: 63\n  load_meter: {phases: [{topic: meter/amps, unit: A}]}"
    beside.house.write_text(house.replace("household:\n", f"household:\n  {more}\n"), "utf-8")
    assert "systemctl kill --signal=HUP mosquitto" in ok(beside.install())
    ok(beside.run("--remove"))
    assert (rules.read_text("utf-8"), names.read_text("utf-8")) == (THEIR_LIST, THEIR_NAMES)


@pytest.mark.parametrize(
    ("says", "why"),
    [
        ("plugin /usr/lib/other.so", "plugin stands in its settings"),
        ("per_listener_settings true", "per_listener_settings true stands"),
        ("acl_file /etc/none", "its acl_file, /etc/none, does not exist"),
        ("listener 8883\ncertfile /etc/cert.pem", "it has no port without TLS on 127.0.0.1"),
        ("password_file /etc/names", "somebody else has the account kowhai-cottage.people"),
    ],
)
def test_where_accounts_cannot_be_added(beside: Prefix, says: str, why: str) -> None:
    """It says why, and leaves the settings of others as they are."""
    (beside.root / "etc/mosquitto/conf.d/theirs.conf").write_text(f"{says}\n")
    (beside.root / "etc/names").write_text("kowhai-cottage.people:$7$101$x$y\n")
    before = settings(beside)
    refused = beside.install("--broker", "shared")
    assert refused.returncode == 1
    assert why in refused.stderr
    assert settings(beside) == before
    assert (beside.root / "etc/names").read_text() == "kowhai-cottage.people:$7$101$x$y\n"


def test_names_that_nobody_checks_are_not_shut_out(beside: Prefix) -> None:
    """Without a password file a broker accepts any name; with one it would refuse those clients."""
    log = beside.root / "var/log/mosquitto/mosquitto.log"
    log.parent.mkdir(parents=True)
    log.write_text(
        "1: New client connected from 192.0.2.7:1 as oven (p2, c1, k60, u'before').\n"
        "2: mosquitto version 2.0.11 starting\n"
        "3: New client connected from 192.0.2.7:2 as oven (p2, c1, k60, u'kitchen').\n"
        "4: New client connected from 192.0.2.7:3 as board (p5, c1, k60, u'kowhai-cottage.load').\n"
    )
    refused = beside.install("--broker", "shared")
    assert "clients that already sign in with a name: kitchen\n" in refused.stderr
    assert set(settings(beside)) == {"theirs.conf"}


def test_a_broker_on_another_machine(prefix: Prefix) -> None:
    """Nothing of Mosquitto is touched here; what its owner must add is printed and kept."""
    printed = ok(prefix.install("--broker", "mqtts://hub.home.arpa"))
    assert not (prefix.root / "etc/mosquitto").exists()
    assert "systemctl restart lullwatt\n" in printed
    assert "restart mosquitto" not in printed
    assert "left to do at the broker hub.home.arpa" in printed
    kept = prefix.etc / "for-broker"
    assert "pattern deny lullwatt/kowhai-cottage/#" in (kept / "rules").read_text("utf-8")
    assert "kowhai-cottage.people:$7$" in (kept / "passwords").read_text("utf-8")
    household = load_household(prefix.house)
    assert (household.bus.host, household.bus.port) == ("hub.home.arpa", 8883)
    before = prefix.picture()
    assert "now: " not in ok(prefix.install())
    assert prefix.picture() == before
    refused = prefix.install("--broker", "shared")
    assert "below bus: there, write broker: mqtt://127.0.0.1 without ca_file" in refused.stderr
    assert "plain text" in prefix.install("--broker", "mqtt://hub.home.arpa").stderr


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
rm /etc/lullwatt/house.yaml
sh deploy/install.sh --answers answers.yaml --name "$(uname -n)" --broker shared
lullwatt status /etc/lullwatt/house.yaml || [ $? = 4 ]
topic=lullwatt/kowhai-cottage/outlet/request
mosquitto_pub -V 5 -q 1 -p 1883 -t $topic -m no 2>&1 || true
mosquitto_pub -V 5 -q 1 -p 1883 -u lamp -P secret1 -t $topic -m no 2>&1 || true
sh deploy/install.sh --remove
mosquitto_pub -V 5 -q 1 -p 1883 -t $topic -m yes 2>&1
# Settings with a port that nobody serves yet: what was added is taken out again.
cp -p /etc/mosquitto/theirs /root/names-before
sed -i 's/1883/1884/' /etc/mosquitto/conf.d/theirs.conf
sed -i 's/mqtt:.*/mqtt:\\/\\/127.0.0.1:1884/' /etc/lullwatt/house.yaml
! sh deploy/install.sh --name "$(uname -n)" --broker shared
cmp /etc/mosquitto/theirs /root/names-before
ls /etc/mosquitto/conf.d
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
    # The daemon is up, on its own broker, and then among the others.
    printed = ran["install"].printed
    assert re.findall("^outlet: (.*)$", printed, re.MULTILINE) == ["nobody-listens"] * 2
    # Only its own topics are closed to the two, and open again after the removal.
    refused = re.findall("^Warning: Publish .*ot authori", printed, re.MULTILINE)
    assert len(refused) == len(("anonymous", "lamp"))
    assert "does not accept the daemon on port 1884" in printed
    assert printed.endswith("\ntheirs.conf\n\n")
    found = re.findall(r"^(\w+) heard all of (\d+)$", ran["look"].printed, re.MULTILINE)
    assert [who for who, _ in found] == ["anonymous", "lamp", "heater"]
    assert all(int(number) > len(found) for _, number in found)
    assert "missed" not in ran["look"].printed
