#!/bin/sh
# Installs Lullwatt on a Debian machine: the daemon, a broker that keeps strangers out, the unit that
# keeps the daemon running, and, if you want them, the page for phones, timers that fetch prices and
# calendars, and what announces its doors in the home's network.
# You may run it again at any time: it keeps whatever exists.
# deploy/GUIDE.md explains it step by step.
set -eu
umask 022 # whatever root's own is: the daemon's user must be able to read the program

usage() {
    cat <<'END'
sudo sh deploy/install.sh [options]     installs Lullwatt, or upgrades it
sudo sh deploy/install.sh --back        goes back to the version before the last upgrade
sudo sh deploy/install.sh --remove      removes everything except the ledger and the household file

  --dry-run          print what it would do, and change nothing
  --root FOLDER      install into this folder as if it were /, and start nothing
  --answers FILE     write the household file from these answers (see lullwatt start-file)
  --name NAME        the name by which devices reach the broker (default: the previous name, or
                     this machine's)
  --wheel FILE       install this wheel instead of the source beside this script
  --broker own|shared|whole|mqtts://HOST
                     the broker: one of its own beside a Mosquitto that others use; accounts for
                     Lullwatt's topics in that one; the whole Mosquitto, closed to everybody without
                     an account of this household; or one on another machine (default: as before;
                     at first whole, if nobody else uses Mosquitto)
  --page yes|no      serve the page for phones, or no longer (default: as before; at first no)
  --prices yes|no    fetch tomorrow's prices each afternoon, or no longer (default: as before; at
                     first no)
  --calendars yes|no fetch the calendars that the household file names by an address, or no longer
                     (default: as before; at first no)
  --announce yes|no  announce the doors that the household file names in the home's network, or no
                     longer (default: as before; at first no)
  --python PROGRAM   the Python to use, 3.11 or later (default: python3)
  --keep-limits      with --remove: leave the limits that Lullwatt has stored in equipment that speaks
                     OCPP, which may then charge only at 0 A
  --environment DIR  use the environment in this folder instead of creating one (default: the folder
                     that LULLWATT_ENVIRONMENT names, if it is set)

A version that exists in /opt/lullwatt is not installed again; to do so, remove its folder first.
END
}

# The broker has a file of its own.
# shellcheck source=install-broker.sh
. "$(dirname "$0")/install-broker.sh"

# --- messages -----------------------------------------------------------------------------

say() { printf '%s\n' "$*"; }
step() { if [ "$DRY" ]; then say "would $*"; else say "now: $*"; fi; }
kept() { say "exists: $*"; }
stop() { # WHAT IS WRONG, WHAT TO DO
    SAID=yes
    printf 'install.sh: %s\n    %s\n' "$1" "$2" >&2
    exit 1
}
end() {
    code=$?
    rm -rf "$HOUSE.from-outside" "$HOUSE.new" "$HOUSE.draft" "$BROKER/passwords.new" ${WORK:+"$WORK"}
    if [ $code -ne 0 ] && [ -z "$SAID" ]; then
        stop "the last step failed" "see the messages above, then run this again: it continues from there"
    fi
}
run() { if [ -z "$DRY" ]; then "$@"; fi; }
certify() { # openssl prints a lot, which matters only if it fails
    if [ "$DRY" ]; then return; fi
    said=$(openssl "$@" 2>&1) || stop "openssl $1 failed: $said" "see its message, then run this again"
}
ctl() { # the service manager, which another root does not have
    if [ "$ROOT" ]; then say "left to do on the machine itself: systemctl $*"; return; fi
    step "systemctl $*"
    run systemctl "$@" 9<&- || stop "systemctl $* failed" "journalctl -n 30 -u lullwatt -u lullwatt-page -u lullwatt-prices -u lullwatt-calendars -u lullwatt-announce -u mosquitto says why"
}

# --- files and folders ------------------------------------------------------------------------

number_of() { # NAME, passwd or group
    sed -n "s/^$1:[^:]*:\([0-9]*\):.*/\1/p" "$ROOT/etc/$2" 2>/dev/null || true
}
owner_numbers() { # USER:GROUP; root where this system does not know the name
    user=$(number_of "${1%:*}" passwd)
    group=$(number_of "${1#*:}" group)
    say "${user:-0}:${group:-0}"
}
own() { # USER:GROUP FILE
    if [ "$(id -u)" = 0 ]; then chown -h "$(owner_numbers "$1")" "$2"; fi
}
folder() { # FOLDER MODE USER:GROUP
    wanted="$2"
    if [ "$(id -u)" = 0 ]; then wanted="$2 $(owner_numbers "$3")"; fi
    is=$(stat -c '%a %u:%g' "$1" 2>/dev/null || true)
    case "$is" in "$wanted"*) return ;; esac
    step "create the folder $1 ($2, $3)"
    run mkdir -p "$1"
    run chmod "$2" "$1"
    run own "$3" "$1"
}
shared() { # FOLDER, which others have too: one that is there stays as it is
    if [ ! -d "$1" ]; then folder "$1" 755 root:root; fi
}
put() { # FILE MODE USER:GROUP, its text on standard input; behind a pipe WROTE would be lost
    text=$(cat)
    if [ -f "$1" ] && printf '%s\n' "$text" | cmp -s - "$1"; then kept "$1"; return; fi
    step "write $1 ($2, $3)"
    WROTE=yes
    if [ "$DRY" ]; then return; fi
    (umask 077 && printf '%s\n' "$text" > "$1.new")
    settle "$1.new" "$1" "$2" "$3"
}
settle() { # FROM TO MODE USER:GROUP
    chmod "$3" "$1"
    own "$4" "$1"
    mv -fT "$1" "$2"
}
link() { # TARGET NAME
    if [ "$(readlink "$2" 2>/dev/null || true)" = "$1" ]; then kept "$2 -> $1"; return; fi
    step "point $2 at $1"
    run ln -sfn "$1" "$2"
}
remove() { # FILE OR FOLDER
    if [ -e "$1" ] || [ -L "$1" ]; then step "remove $1"; run rm -rf "$1"; fi
}

# --- what it needs -----------------------------------------------------------------------

check_machine() {
    if [ -z "$ROOT" ] && [ -z "$DRY" ] && [ "$(id -u)" != 0 ]; then
        stop "root must run this" "sudo sh $0"
    fi
}
check_tools() {
    tools='openssl systemd-sysusers flock'
    if [ "$WHOSE" != elsewhere ] && [ ! -d "$FOR_BROKER" ]; then tools="$tools mosquitto mosquitto_passwd mosquitto_sub"; fi
    for tool in $tools; do
        command -v "$tool" >/dev/null || stop "$tool is missing" "$PACKAGES"
    done
    if [ "$ENVIRONMENT" ]; then return; fi
    "$PYTHON" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null \
        || stop "Python 3.11 or later is missing" "Debian 12 and later have it: $PACKAGES"
    "$PYTHON" -c 'import ensurepip, venv' 2>/dev/null \
        || stop "Python's venv is missing" "$PACKAGES"
}
alone() { # one at a time, and from here on it tidies up after itself
    exec 9< "$ROOT/"
    flock --nonblock 9 || stop "another install.sh is running" "run this again when it has ended"
    trap end EXIT
    trap 'exit 130' HUP INT TERM
}
begin() { # what a run that did not come to its end may have left to be started again
    AGAIN=
    if [ -e "$UNFINISHED" ]; then AGAIN=yes; fi
    run touch "$UNFINISHED"
}
is_version() { # never a way out of /opt/lullwatt
    case $1 in [!0-9]* | *[!0-9A-Za-z.+]* | '') return 1 ;; esac
}
version_to_install() {
    if [ "$ENVIRONMENT" ]; then
        "$ENVIRONMENT/bin/lullwatt" --version | sed 's/.* //'
    elif [ "$WHEEL" ]; then
        basename "$WHEEL" | sed -n 's/^lullwatt-\([^-]*\)-.*\.whl$/\1/p'
    elif [ -e "$SOURCE/.complete" ]; then # this script is that of a version in /opt
        basename "$SOURCE"
    else
        sed -n 's/^version = "\(.*\)"$/\1/p' "$SOURCE/pyproject.toml"
    fi
}
current_version() { readlink "$OPT/current" 2>/dev/null || true; }

# --- the parts --------------------------------------------------------------------------------

make_user() { # NAME
    shared "$ROOT/etc/sysusers.d"
    put "$ROOT/etc/sysusers.d/$1.conf" 644 root:root < "$HERE/$1.sysusers"
    if [ "$(number_of "$1" passwd)" ]; then kept "the user $1"; return; fi
    step "create the user and group $1"
    run systemd-sysusers --root="$ROOT/" "$ROOT/etc/sysusers.d/$1.conf" \
        || stop "the user could not be created" "see the message of systemd-sysusers above"
}
make_environment() {
    folder "$OPT" 755 root:root
    home=$OPT/$VERSION
    if [ -e "$home/.complete" ]; then kept "version $VERSION in $home"; return; fi
    step "create the environment of version $VERSION in $home"
    if [ "$DRY" ]; then return; fi
    rm -rf "$home"
    if [ "$ENVIRONMENT" ]; then
        mkdir "$home"
        ln -s "$ENVIRONMENT/bin" "$home/bin"
    else
        fill_environment
    fi
    mkdir "$home/deploy"
    find "$HERE" -maxdepth 1 -type f -exec cp {} "$home/deploy/" \;
    : > "$home/.complete"
}
fill_environment() {
    "$PYTHON" -m venv "$home" || stop "no environment could be created" "$PACKAGES"
    fill --require-hashes --requirement "$SOURCE/constraints-run.txt" \
        --requirement "$SOURCE/constraints-build.txt"
    fill --no-deps --no-build-isolation "${WHEEL:-$SOURCE}"
}
fill() { # every package that comes from elsewhere is held against its hash
    "$home/bin/python" -m pip install --quiet --disable-pip-version-check "$@" \
        || stop "the packages could not be installed" \
            "see the message above: check the network, then run this again"
}
make_folders() {
    folder "$ETC" 750 root:lullwatt
    folder "$ETC/accounts" 700 root:root
    folder "$ETC/authority" 700 root:root
    folder "$VAR" 750 lullwatt:lullwatt
    hand_over_ledger
    open_ledger
    if [ "$WHOSE" = elsewhere ]; then
        folder "$BROKER" 700 root:root
    else
        folder "$BROKER" 750 root:mosquitto
        shared "$ROOT/etc/mosquitto/conf.d"
    fi
    shared "$ROOT/usr/local/bin"
}
hand_over_ledger() { # one that --remove kept; a file with a second name elsewhere is not given away
    daemon=$(number_of lullwatt passwd)
    if [ "$(id -u)" != 0 ] || [ -z "$daemon" ] || [ ! -d "$VAR" ]; then return; fi
    set -- "$VAR" ! -user "$daemon" '(' -type d -o -links 1 ')'
    if [ "$(find "$@" -print -quit)" ]; then
        step "make the user lullwatt own the files in $VAR"
        run find "$@" -execdir chown -h "$(owner_numbers lullwatt:lullwatt)" '{}' +
    fi
}
open_ledger() { # to the daemon's group: versions before the page kept it to the daemon's user alone
    if [ ! -d "$VAR" ]; then return; fi
    set -- . -maxdepth 1 -name 'ledger.sqlite3*' -type f -user "$(stat -c %u "$VAR")" ! -perm -g+r
    if [ -z "$(cd "$VAR" && find "$@" -print -quit)" ]; then return; fi
    step "let the group lullwatt read the ledger in $VAR"
    # As the daemon's user: root would follow a link that was put there meanwhile.
    if [ "$(id -u)" = 0 ]; then as=$(stat -c 'setpriv --reuid %u --regid %g --clear-groups' "$VAR"); else as=; fi
    # shellcheck disable=SC2086 # several words
    (cd "$VAR" && run $as find "$@" -exec chmod g+r '{}' +)
}
hand_over_household() { # the daemon's user must be able to read it, also when it was put there by hand
    group=$(number_of lullwatt group)
    if [ "$(id -u)" != 0 ] || [ -z "$group" ]; then return; fi
    case $(stat -Lc '%a %g' "$HOUSE") in *[4567]' '* | *[4567]?" $group") return ;; esac
    step "let the user lullwatt read $HOUSE"
    run own root:lullwatt "$HOUSE"
    run chmod g+r "$HOUSE"
}
make_household() {
    if [ -e "$HOUSE" ]; then
        kept "$HOUSE, left as it is"
        hand_over_household
        return
    fi
    step "write $HOUSE $(if [ "$ANSWERS" ]; then say "from the answers in $ANSWERS"; else say 'from your answers'; fi)"
    if [ "$DRY" ]; then return; fi
    if [ -z "$ANSWERS" ] && [ ! -t 0 ]; then
        stop "there is no household file yet, and no terminal to ask questions on" \
            "run this on a terminal, or give --answers FILE (see lullwatt start-file --help)"
    fi
    if [ "$ANSWERS" ]; then set -- --answers "$ANSWERS"; fi
    newest start-file --output "$HOUSE.draft" --overwrite "$@" >/dev/null \
        || stop "no household file could be written" "see the messages above, then run this again"
    name_broker
}
name_broker() { # the broker on this machine, and the ledger's place, in place of what was guessed
    daemon=$(newest schema acl "$HOUSE.draft" | sed -n 's/^user //p' | head -n 1)
    [ "$daemon" ] || stop "no access list could be created" "see the messages above, then run this again"
    {
        awk '/^[^ \t#]/ { ours = /^(bus|ledger):/ } !ours' "$HOUSE.draft"
        say 'bus:                                # written by install.sh: the broker on this machine'
        say "  broker: $URL"
        case $WHOSE in own | whole) say '  ca_file: ca.pem' ;; esac
        say "  username: \"$daemon\""
        say '  password_file: accounts/daemon    # only root may read it; the daemon gets a copy'
        say
        say 'ledger: {path: /var/lib/lullwatt/ledger.sqlite3}'
    } > "$HOUSE.new"
    settle "$HOUSE.new" "$HOUSE" 640 root:lullwatt
}
make_authority() {
    if [ -e "$ETC/authority/ca.pem" ]; then
        kept "the certificate authority in $ETC/authority"
    else
        step "create a certificate authority in $ETC/authority (3650 days)"
        certify req -x509 -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -days 3650 \
            -keyout "$ETC/authority/ca-key.pem" -out "$ETC/authority/ca.pem.new" \
            -subj '/CN=Lullwatt at home' -addext keyUsage=critical,keyCertSign,cRLSign
        run chmod 600 "$ETC/authority/ca-key.pem"
        run mv -fT "$ETC/authority/ca.pem.new" "$ETC/authority/ca.pem"
    fi
    if [ "$DRY" ] && [ ! -e "$ETC/authority/ca.pem" ]; then step "write $ETC/ca.pem"; return; fi
    put "$ETC/ca.pem" 644 root:root < "$ETC/authority/ca.pem"
}
name_before() { # the one in the broker's certificate
    openssl x509 -in "$BROKER/cert.pem" -noout -subject -nameopt multiline 2>/dev/null \
        | sed -n 's/^ *commonName *= //p'
}
certificate_holds() { # FOLDER; for the name, the key beside it, and 60 days
    if [ "$KIND" = IP ]; then by=-verify_ip; else by=-verify_hostname; fi
    openssl verify -CAfile "$ETC/authority/ca.pem" "$by" "$NAME" "$1/cert.pem" >/dev/null 2>&1 \
        && openssl x509 -in "$1/cert.pem" -noout -checkend 5184000 >/dev/null \
        && [ "$(openssl x509 -in "$1/cert.pem" -noout -pubkey)" \
            = "$(openssl pkey -in "$1/key.pem" -pubout 2>/dev/null)" ]
}
find_name() { # what devices reach the broker by: a name, or this machine's fixed address
    NAME=${NAME:-$(name_before)}
    NAME=${NAME:-$(uname -n)}
    case $NAME in
        *[!0-9A-Za-z.:_-]*) stop "--name: $NAME is neither a name nor an address" \
            "give the name or address by which devices reach this machine, such as hub.home.arpa or 192.168.1.20" ;;
        *:*) KIND=IP ;;
        *[!0-9.]*) KIND=DNS ;;
        *) KIND=IP ;;
    esac
}
make_certificate() { # FOLDER, OWNER, WHOSE, FURTHER NAMES
    if certificate_holds "$1"; then kept "the $3's certificate, for $NAME"; return; fi
    step "create the $3's certificate, for $NAME (825 days; run this again after 765)"
    WROTE=yes
    if [ "$DRY" ]; then return; fi
    [ -e "$ETC/authority/ca-key.pem" ] || stop "$ETC/authority/ca-key.pem is missing" \
        "put it back from its safe place: it signs the $3's new certificate"
    WORK=$(mktemp -d)
    printf 'subjectAltName=%s,DNS:localhost,IP:127.0.0.1%s\n%s\n%s\n' "$KIND:$NAME" "$4" \
        'basicConstraints=critical,CA:FALSE' 'extendedKeyUsage=serverAuth' > "$WORK/names"
    certify req -new -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes \
        -keyout "$WORK/key.pem" -out "$WORK/request.pem" -subj "/CN=$NAME"
    certify x509 -req -in "$WORK/request.pem" -CA "$ETC/authority/ca.pem" \
        -CAkey "$ETC/authority/ca-key.pem" -CAcreateserial -CAserial "$WORK/serial" -days 825 \
        -extfile "$WORK/names" -out "$WORK/cert.pem"
    settle "$WORK/key.pem" "$1/key.pem" 600 "$2:$2"
    settle "$WORK/cert.pem" "$1/cert.pem" 644 "$2:$2"
    rm -r "$WORK"
}
account() { # NAME; the units know the daemon's and the page's by these names
    case $1 in
        "$DAEMON") say "$ETC/accounts/daemon" ;;
        "$PAGE_USER") say "$ETC/accounts/page" ;;
        *) say "$ETC/accounts/$1" ;;
    esac
}
make_accounts() {
    if [ "$DRY" ] && { [ ! -e "$HOUSE" ] || [ ! -e "$OPT/$VERSION/.complete" ]; }; then
        step "create an account for everybody in the access list, with its password in $ETC/accounts"
        step "write $BROKER/access and $BROKER/passwords"
        return
    fi
    access=$(newest schema acl "$HOUSE") \
        || stop "$HOUSE has faults" "correct the faults above, then run this again"
    USERS=$(say "$access" | sed -n 's/^user //p')
    DAEMON=$(say "$USERS" | head -n 1)
    PAGE_USER=$(say "$access" | sed -n "/^# The household's page\.\$/{n;s/^user //p;}")
    if [ "$PAGE$PAGE_USER" = yes ]; then
        stop "the page has no account of its own in $HOUSE" \
            "below page: write a username that nobody else has, and password_file: accounts/page"
    fi
    say "$USERS" | while read -r name; do
        if [ ! -s "$(account "$name")" ]; then
            openssl rand -hex 20 | put "$(account "$name")" 600 root:root
        fi
    done
    put "$BROKER/access" 600 mosquitto:mosquitto <<END
$access
END
    make_passwords
}
passwords_hold() {
    [ -s "$BROKER/passwords" ] \
        && [ "$(cut -d: -f1 "$BROKER/passwords")" = "$USERS" ] \
        && [ -z "$(find "$ETC/accounts" -type f -newer "$BROKER/passwords")" ]
}
make_passwords() {
    if passwords_hold; then kept "$BROKER/passwords"; return; fi
    step "write $BROKER/passwords (600, mosquitto:mosquitto), as hashes"
    WROTE=yes
    if [ "$DRY" ]; then return; fi
    (
        umask 077
        say "$USERS" | while read -r name; do
            printf '%s:%s\n' "$name" "$(cat "$(account "$name")")"
        done > "$BROKER/passwords.new"
    )
    if [ "$WHOSE" = elsewhere ] && ! command -v mosquitto_passwd >/dev/null; then
        say "note: mosquitto_passwd is missing, so $BROKER/passwords has plain passwords: turn them into hashes with mosquitto_passwd -U"
    else
        mosquitto_passwd -U "$BROKER/passwords.new"
    fi
    settle "$BROKER/passwords.new" "$BROKER/passwords" 600 mosquitto:mosquitto
}
choose_page() { # as before, unless told otherwise
    if [ -z "$PAGE" ] && [ -e "$PAGE_UNIT" ]; then PAGE=yes; fi
    if [ "$PAGE" = yes ]; then make_user lullwatt-page; fi
    if [ "$PAGE" = no ]; then remove_page; fi
}
choose_prices() { # as before, unless told otherwise
    if [ -z "$PRICES" ] && [ -e "$PRICES_UNIT.timer" ]; then PRICES=yes; fi
    if [ "$PRICES" = yes ]; then make_user lullwatt-prices; fi
    if [ "$PRICES" = no ]; then remove_prices; fi
}
choose_calendars() { # as before, unless told otherwise
    if [ -z "$CALENDARS" ] && [ -e "$CALENDARS_UNIT.timer" ]; then CALENDARS=yes; fi
    if [ "$CALENDARS" = yes ]; then make_user lullwatt-calendars; fi
    if [ "$CALENDARS" = no ]; then remove_calendars; fi
}
choose_announce() { # as before, unless told otherwise
    if [ -z "$ANNOUNCE" ] && [ -e "$ANNOUNCE_UNIT" ]; then ANNOUNCE=yes; fi
    if [ "$ANNOUNCE" = no ]; then remove_announce; fi
    if [ "$ANNOUNCE" != yes ]; then return; fi
    grep -qs '^announce:' "$HOUSE" || stop "$HOUSE does not say what to announce" \
        "add the key announce to it, as deploy/GUIDE.md shows, then run this again; or say --announce no"
    make_user lullwatt-announce
}
make_prices() {
    if [ "$PRICES" != yes ]; then return; fi
    folder "$ETC/prices" 750 root:lullwatt-prices
    folder "$PRICES_VAR" 755 lullwatt-prices:lullwatt-prices
    if ! grep -Eqs '(^|[[:space:]{])fetch:' "$HOUSE"; then
        say "note: no tariff in $HOUSE says where to fetch its prices; deploy/GUIDE.md shows how"
    fi
}
make_calendars() {
    if [ "$CALENDARS" != yes ]; then return; fi
    folder "$ETC/calendars" 750 root:lullwatt-calendars
    folder "$CALENDARS_VAR" 750 lullwatt-calendars:lullwatt
    if ! grep -qs '^calendars:' "$HOUSE"; then
        say "note: $HOUSE names no calendars; deploy/GUIDE.md shows how"
    fi
}
declare_page() {
    if [ "$PAGE" != yes ]; then return; fi
    if grep -q '^page:' "$HOUSE" 2>/dev/null; then kept "the page in $HOUSE"; return; fi
    step "declare the page in $HOUSE, on port 8480, for $NAME"
    if [ "$DRY" ]; then return; fi
    home=$(newest schema acl "$HOUSE" | sed -n 's/^user \(.*\)\.people$/\1/p')
    [ "$home" ] || stop "$HOUSE has faults" "correct the faults above, then run this again"
    case $NAME in *:*) host="[$NAME]" ;; *) host=$NAME ;; esac
    cat >> "$HOUSE" <<END

page:                               # written by install.sh: the page for phones
  listen: "0.0.0.0:8480"
  names: ["$host"]                  # by which phones reach this machine; add others here
  certificate_file: page/cert.pem
  key_file: page/key.pem
  devices_file: /var/lib/lullwatt-page/devices.json
  username: "$home.page"
  password_file: accounts/page      # only root may read it; the page gets a copy
END
}
make_page() { # a new certificate needs no restart
    if [ "$PAGE" != yes ]; then return; fi
    folder "$ETC/page" 750 root:lullwatt-page
    folder "$PAGE_VAR" 700 lullwatt-page:lullwatt-page
    make_certificate "$ETC/page" lullwatt-page page ''
}
check_household() { # by the version to be installed, before it comes into use
    if [ "$DRY" ] && [ ! -e "$HOUSE" ]; then step "check $HOUSE"; return; fi
    if [ "$DRY" ] && [ ! -e "$OPT/$VERSION/.complete" ]; then step "check $HOUSE"; return; fi
    newest check "$HOUSE" >/dev/null \
        || stop "version $VERSION does not accept $HOUSE" "correct the faults above, then run this again"
}

# --- versions ---------------------------------------------------------------------------------

newest() { "$OPT/$VERSION/bin/lullwatt" "$@"; }
house_from_here() { # the household file with its ledger where it lies for this script
    if [ -z "$ROOT" ]; then say "$HOUSE"; return; fi
    there=$(say "$VAR" | sed 's/[\\&#]/\\&/g')
    sed "s#/var/lib/lullwatt#$there#" "$HOUSE" > "$HOUSE.from-outside"
    say "$HOUSE.from-outside"
}
ledger_of() { # VERSION
    "$OPT/$1/bin/python" -c 'import pathlib, sys
try:
    from config.household.loading import load_household
except ModuleNotFoundError:  # in version 0.1.0
    from config import load_household
print(load_household(pathlib.Path(sys.argv[1])).ledger.path)' "$(house_from_here)"
}
keep_before() { # VERSION, which is about to go
    before=$KEPT/before-$VERSION
    step "copy the ledger and the household file to $before, for --back"
    if [ "$DRY" ]; then return; fi
    folder "$KEPT" 700 root:root
    mkdir -p "$before"
    cp "$HOUSE" "$before/house.yaml"
    ledger=$(ledger_of "$1") || stop "version $1 does not accept $HOUSE, so the ledger can't be copied" \
        "remove the new keys from it, run this again, and add them afterwards"
    if [ -e "$ledger" ]; then
        "$OPT/$1/bin/lullwatt" backup "$(house_from_here)" "$before/ledger.sqlite3" --overwrite \
            || stop "the ledger could not be copied, so nothing was upgraded" \
                "free some space on the disk, then run this again"
    fi
    say "$1" > "$before/version"
}
switch_version() {
    WROTE=
    was=$(current_version)
    if [ "$was" ] && [ "$was" != "$VERSION" ]; then
        keep_before "$was"
        WROTE=yes
    fi
    link "$VERSION" "$OPT/current"
    link /opt/lullwatt/current/bin/lullwatt "$ROOT/usr/local/bin/lullwatt"
    VERSION_CHANGED=$WROTE
}
put_units() { # FOLDER they come from; earlier versions have no unit but the daemon's
    shared "$ROOT/etc/systemd/system"
    WROTE=
    put "$ROOT/etc/systemd/system/lullwatt.service" 644 root:root < "$1/lullwatt.service"
    UNIT_CHANGED=$WROTE
    WROTE=
    if [ "$PAGE" = yes ]; then put "$PAGE_UNIT" 644 root:root < "$1/lullwatt-page.service"; fi
    PAGE_CHANGED=$WROTE
    WROTE=
    if [ "$PRICES" = yes ]; then
        put "$PRICES_UNIT.service" 644 root:root < "$1/lullwatt-prices.service"
        put "$PRICES_UNIT.timer" 644 root:root < "$1/lullwatt-prices.timer"
    fi
    PRICES_CHANGED=$WROTE
    WROTE=
    if [ "$CALENDARS" = yes ]; then
        put "$CALENDARS_UNIT.service" 644 root:root < "$1/lullwatt-calendars.service"
        put "$CALENDARS_UNIT.timer" 644 root:root < "$1/lullwatt-calendars.timer"
    fi
    CALENDARS_CHANGED=$WROTE
    WROTE=
    if [ "$ANNOUNCE" = yes ]; then put "$ANNOUNCE_UNIT" 644 root:root < "$1/lullwatt-announce.service"; fi
    ANNOUNCE_CHANGED=$WROTE
    if [ "$UNIT_CHANGED$PAGE_CHANGED$PRICES_CHANGED$CALENDARS_CHANGED$ANNOUNCE_CHANGED$BROKER_UNIT_CHANGED$AGAIN" ]; then ctl daemon-reload; fi
    VERSION_CHANGED=$VERSION_CHANGED$UNIT_CHANGED$AGAIN
}
start_all() {
    if [ "$OPENED" ]; then
        ctl restart mosquitto
    elif [ "$TAKEN_OUT" ] && [ "$WHOSE" != whole ]; then
        reload_broker
    fi
    if [ -e "$BROKER_UNIT" ] || [ "$WHOSE" = own ]; then
        start lullwatt-broker "$BROKER_CHANGED$AGAIN"
    elif { [ "$WHOSE" = whole ] || [ -e "$CLOSED" ]; } && [ "$BROKER_CHANGED$AGAIN" ]; then
        ctl restart mosquitto
    fi
    start lullwatt "$VERSION_CHANGED$MOVED"
    if [ "$PAGE" = yes ]; then start lullwatt-page "$VERSION_CHANGED$PAGE_CHANGED$MOVED"; fi
    if [ "$PRICES" = yes ]; then start lullwatt-prices.timer "$PRICES_CHANGED"; fi
    if [ "$CALENDARS" = yes ]; then start lullwatt-calendars.timer "$CALENDARS_CHANGED"; fi
    if [ "$ANNOUNCE" = yes ]; then start lullwatt-announce "$VERSION_CHANGED$ANNOUNCE_CHANGED"; fi
    run rm -f "$UNFINISHED"
}
start() { # UNIT, whether it is new
    if [ "$2" ]; then
        ctl enable "$1"
        ctl restart "$1"
    elif [ -z "$ROOT" ] && ! systemctl --quiet is-active "$1"; then
        ctl start "$1"
    fi
}

# --- the commands ------------------------------------------------------------------

install_all() {
    check_machine
    check_tools
    alone
    VERSION=$(version_to_install)
    is_version "$VERSION" \
        || stop "no version to install" "run this from a complete copy of the source, or use --wheel"
    choose_broker
    make_user lullwatt
    choose_page
    choose_prices
    choose_calendars
    choose_announce
    make_environment
    begin
    make_folders
    make_household
    find_name
    declare_page
    make_broker
    make_page
    make_prices
    make_calendars
    check_household
    switch_version
    put_units "$HERE"
    start_all
    say_what_to_add
    say "Lullwatt $VERSION is $(if [ "$DRY" ]; then say 'not touched'; else say 'installed'; fi)."
}
go_back() {
    check_machine
    alone
    VERSION=$(current_version)
    before=$KEPT/before-$VERSION
    [ -s "$before/version" ] || stop "there is no version to go back to" \
        "--back undoes an upgrade, and $KEPT has a record of none"
    was=$(cat "$before/version")
    is_version "$was" || stop "$before/version names no version" "write the version into it"
    [ -e "$OPT/$was/.complete" ] || stop "$OPT/$was no longer exists" "install that version again"
    "$OPT/$was/bin/lullwatt" check "$HOUSE" >/dev/null || stop "version $was does not accept $HOUSE" \
        "it accepted $before/house.yaml: cp $before/house.yaml $HOUSE, then run this again"
    begin
    ctl stop lullwatt
    put_ledger_back
    link "$was" "$OPT/current"
    VERSION_CHANGED=yes
    BROKER_CHANGED=
    if [ ! -e "$OPT/$was/deploy/lullwatt-page.service" ]; then remove_page_unit; fi
    if [ -e "$PAGE_UNIT" ]; then PAGE=yes; else PAGE=no; fi
    if [ ! -e "$OPT/$was/deploy/lullwatt-prices.timer" ]; then remove_timer lullwatt-prices; fi
    if [ -e "$PRICES_UNIT.timer" ]; then PRICES=yes; else PRICES=no; fi
    if [ ! -e "$OPT/$was/deploy/lullwatt-calendars.timer" ]; then remove_timer lullwatt-calendars; fi
    if [ -e "$CALENDARS_UNIT.timer" ]; then CALENDARS=yes; else CALENDARS=no; fi
    if [ ! -e "$OPT/$was/deploy/lullwatt-announce.service" ]; then remove_announce_unit; fi
    if [ -e "$ANNOUNCE_UNIT" ]; then ANNOUNCE=yes; else ANNOUNCE=no; fi
    put_units "$OPT/$was/deploy"
    start_all
    say "Version $was is $(if [ "$DRY" ]; then say 'not touched'; else say 'in use again'; fi)."
}
put_ledger_back() {
    if "$OPT/$was/bin/lullwatt" nights "$(house_from_here)" --last 1 >/dev/null 2>&1; then
        kept "the ledger, which version $was can read"
        return
    fi
    ledger=$(ledger_of "$was")
    aside=$KEPT/after-$VERSION
    if [ ! -e "$ledger" ] && [ ! -e "$aside" ]; then return; fi
    [ -s "$before/ledger.sqlite3" ] || stop "there is no copy of the ledger in $before" \
        "move $ledger away yourself, then run this again"
    step "keep the ledger of version $VERSION in $aside, and put the earlier copy in its place"
    if [ "$DRY" ]; then return; fi
    cp "$before/ledger.sqlite3" "$KEPT/ledger.new" # before anything is moved: the disk may be full
    set_aside
    settle "$KEPT/ledger.new" "$ledger" 640 lullwatt:lullwatt
}
set_aside() { # copied whole, then removed: a ledger apart from its log is damaged
    if [ -e "$ledger" ]; then
        if [ -e "$aside" ]; then mv -T "$aside" "$aside.$(date +%s)"; fi
        rm -rf "$aside.part"
        mkdir "$aside.part"
        for end in '' -wal -shm; do
            if [ -e "$ledger$end" ]; then cp -dp "$ledger$end" "$aside.part/"; fi
        done
        sync "$aside.part"/*
        mv -T "$aside.part" "$aside"
    fi
    rm -f "$ledger" "$ledger-wal" "$ledger-shm" # the ledger first: without it a log means nothing
}
release_equipment() { # a charge point that speaks OCPP stores a limit of 0 A, which nobody would raise
    if [ "$KEEP_LIMITS" ] || ! grep -q '^ocpp:' "$HOUSE" 2>/dev/null; then return; fi
    if [ "$ROOT" ]; then say "left to do on the machine itself: lullwatt wiring $HOUSE --release"; return; fi
    if [ ! -e /usr/local/bin/lullwatt ]; then return; fi
    step "clear the limits of Lullwatt in equipment that speaks OCPP"
    run /usr/local/bin/lullwatt wiring "$HOUSE" --release --yes 9<&- || stop "limits of Lullwatt may stay in equipment" \
        "do what the message says, then run this again with --keep-limits"
}
remove_all() {
    check_machine
    alone
    remove_page
    remove_prices
    remove_calendars
    remove_announce
    if [ -e "$ROOT/etc/systemd/system/lullwatt.service" ]; then ctl disable --now lullwatt; fi
    release_equipment
    remove "$ROOT/etc/systemd/system/lullwatt.service"
    remove "$ROOT/etc/systemd/system/lullwatt.service.d"
    ctl daemon-reload
    had=
    if [ -e "$CLOSED" ]; then had=yes; fi
    remove_broker_unit
    take_accounts_out
    if [ "$TAKEN_OUT" ]; then reload_broker; fi
    remove "$CLOSED"
    remove "$BROKER"
    remove "$ROOT/usr/local/bin/lullwatt"
    remove "$OPT"
    for made in accounts authority ca.pem; do remove "$ETC/$made"; done
    remove_user lullwatt
    say "Kept: the ledger and its copies in $VAR and $KEPT, and the household file $HOUSE."
    if [ -d "$PRICES_VAR" ]; then say "Kept: the prices in $PRICES_VAR."; fi
    say "Devices need a new ca.pem and new passwords if Lullwatt is installed again."
    if [ -d "$FOR_BROKER" ]; then say "At the broker on another machine, remove what $FOR_BROKER lists."; fi
    if [ "$had" ]; then ctl try-restart mosquitto; fi # the last, as it may be gone by now
}
remove_unit() { # NAME, its file
    if [ ! -e "$2" ]; then return; fi
    ctl disable --now "$1"
    remove "$2"
    remove "$2.d"
    ctl daemon-reload
}
remove_page_unit() { remove_unit lullwatt-page "$PAGE_UNIT"; }
remove_announce_unit() { remove_unit lullwatt-announce "$ANNOUNCE_UNIT"; }
remove_announce() {
    remove_announce_unit
    remove_user lullwatt-announce
    if grep -qs '^announce:' "$HOUSE"; then say "note: $HOUSE still says what to announce, which nobody announces now"; fi
}
remove_page() { # and with it every phone's right
    remove_page_unit
    remove "$PAGE_VAR"
    remove "$ETC/page"
    remove_user lullwatt-page
    if grep -qs '^page:' "$HOUSE"; then say "note: $HOUSE still declares a page, which nobody serves now"; fi
}
remove_timer() { # NAME
    units=$ROOT/etc/systemd/system/$1
    if [ ! -e "$units.timer" ]; then return; fi
    ctl disable --now "$1.timer"
    for unit in service timer; do
        remove "$units.$unit"
        remove "$units.$unit.d"
    done
    ctl daemon-reload
}
remove_calendars() { # with the addresses and the copies
    remove_timer lullwatt-calendars
    remove "$ETC/calendars"
    remove "$CALENDARS_VAR"
    remove_user lullwatt-calendars
    if grep -qs '^calendars:' "$HOUSE"; then say "note: $HOUSE still names calendars; those with an address are no longer fetched"; fi
}
remove_prices() { # and the keys; the prices stay, since past nights are priced by them
    remove_timer lullwatt-prices
    remove "$ETC/prices"
    remove_user lullwatt-prices
}
remove_user() { # NAME
    remove "$ROOT/etc/sysusers.d/$1.conf"
    if [ -z "$(number_of "$1" passwd)" ]; then return; fi
    step "remove the user $1; root then owns the files that stay"
    if [ "$DRY" ]; then return; fi
    case $1 in
        lullwatt) set -- "$1" "$VAR" "$ETC" ;;
        lullwatt-prices) set -- "$1" "$PRICES_VAR" ;;
    esac
    gone=$1
    shift
    for left in "$@"; do
        if [ "$(id -u)" = 0 ] && [ -d "$left" ]; then chown -R 0:0 "$left"; fi
    done
    set -- "$gone"
    if [ -z "$ROOT" ]; then userdel "$1"; return; fi
    for list in passwd group shadow gshadow; do
        if [ -e "$ROOT/etc/$list" ]; then
            sed -i "/^$1:/d; s/:$1\$/:/; s/,$1\$//" "$ROOT/etc/$list"
        fi
    done
}

# --- the start ---------------------------------------------------------------------

DRY='' ANNOUNCE='' CALENDARS='' KEEP_LIMITS='' USERS='' MOVED='' WHOSE='' URL='' AGAIN='' WROTE='' TAKEN_OUT='' PORT='' OPENED='' BROKER_UNIT_CHANGED='' NAME='' PAGE='' PAGE_USER='' PRICES='' SAID='' WORK='' ROOT='' ANSWERS='' WHEEL='' WHAT=install_all PYTHON=python3
ENVIRONMENT=${LULLWATT_ENVIRONMENT:-}
HERE=$(cd "$(dirname "$0")" && pwd -P)
SOURCE=$(dirname "$HERE")
PACKAGES='apt-get install mosquitto mosquitto-clients openssl python3-venv'
PATH=$PATH:/usr/sbin:/sbin

value() { # OPTION, VALUE
    [ "${2:-}" ] || { usage >&2; exit 2; }
    say "$2"
}
while [ $# -gt 0 ]; do
    case $1 in
        --dry-run) DRY=yes ;;
        --remove) WHAT=remove_all ;;
        --back) WHAT=go_back ;;
        --keep-limits) KEEP_LIMITS=yes ;;
        --root) ROOT=$(value "$@"); shift ;;
        --answers) ANSWERS=$(value "$@"); shift ;;
        --name) NAME=$(value "$@"); shift ;;
        --wheel) WHEEL=$(value "$@"); shift ;;
        --broker) WHOSE=$(value "$@"); shift ;;
        --page) PAGE=$(value "$@"); shift ;;
        --prices) PRICES=$(value "$@"); shift ;;
        --calendars) CALENDARS=$(value "$@"); shift ;;
        --announce) ANNOUNCE=$(value "$@"); shift ;;
        --python) PYTHON=$(value "$@"); shift ;;
        --environment) ENVIRONMENT=$(value "$@"); shift ;;
        --help | -h) usage; exit 0 ;;
        *) usage >&2; exit 2 ;;
    esac
    shift
done
for choice in "$PAGE" "$PRICES" "$CALENDARS" "$ANNOUNCE"; do
    case $choice in '' | yes | no) ;; *) usage >&2; exit 2 ;; esac
done
case $WHOSE in
    '' | own | shared | whole) ;;
    mqtts://?*) URL=${WHOSE%/} WHOSE=elsewhere ;;
    mqtt://?*) stop "--broker $WHOSE would send passwords over the network in plain text" "give mqtts://HOST, or keep to a broker on this machine" ;;
    *) usage >&2; exit 2 ;;
esac
if [ "$ROOT" ]; then
    ROOT=$(cd "$ROOT" && pwd) || stop "--root: there is no such folder" "create it first: mkdir"
fi
if [ "$ENVIRONMENT" ]; then
    if [ "$ENVIRONMENT" = "${LULLWATT_ENVIRONMENT:-}" ]; then say "uses the environment in $ENVIRONMENT (LULLWATT_ENVIRONMENT)"; fi
    ENVIRONMENT=$(cd "$ENVIRONMENT" && pwd) || stop "--environment: there is no such folder" "create it first"
fi
OPT=$ROOT/opt/lullwatt ETC=$ROOT/etc/lullwatt VAR=$ROOT/var/lib/lullwatt
BROKER=$ROOT/etc/mosquitto/home HOUSE=$ETC/house.yaml UNFINISHED=$OPT/unfinished
CLOSED=$ROOT/etc/mosquitto/conf.d/lullwatt.conf SHARED=$ROOT/etc/mosquitto/conf.d/lullwatt-accounts.conf
ADDED=$BROKER/added FOR_BROKER=$ETC/for-broker
BROKER_UNIT=$ROOT/etc/systemd/system/lullwatt-broker.service BROKER_VAR=$ROOT/var/lib/lullwatt-broker
PAGE_UNIT=$ROOT/etc/systemd/system/lullwatt-page.service PAGE_VAR=$ROOT/var/lib/lullwatt-page
ANNOUNCE_UNIT=$ROOT/etc/systemd/system/lullwatt-announce.service
PRICES_UNIT=$ROOT/etc/systemd/system/lullwatt-prices PRICES_VAR=$ROOT/var/lib/lullwatt-prices
CALENDARS_UNIT=$ROOT/etc/systemd/system/lullwatt-calendars CALENDARS_VAR=$ROOT/var/lib/lullwatt-calendars
# Copies of the versions before: root's own, as root goes by them, and the daemon's user may do as it
# likes in $VAR.
KEPT=$ROOT/var/backups/lullwatt

"$WHAT"
