# shellcheck shell=sh disable=SC2034,SC2154
# For install.sh, which reads this file: the broker. It is one of Lullwatt's own, a whole Mosquitto,
# accounts in a Mosquitto that others use, or a broker on another machine.

THEIR_SETTINGS='^[[:space:]]*(listener|port|bind_address|allow_anonymous|password_file|acl_file|psk_file|plugin|auth_plugin|connection|per_listener_settings)[[:space:]]'
BEGINS='# --- Lullwatt: written by install.sh; your own lines belong above ---'
ENDS='# --- Lullwatt: end ---'

# --- which one ------------------------------------------------------------------------------

others_at_broker() { # says what shows that somebody else uses Mosquitto
    found=$(their_settings | grep -E "$THEIR_SETTINGS" | head -n 3 | tr '\n' ';' | sed 's/;$//; s/;/, /g')
    if [ "$found" ]; then say "its settings say: $found"; return; fi
    if [ "$ROOT" ]; then return; fi
    if cat /proc/net/tcp /proc/net/tcp6 2>/dev/null | awk '$2 ~ /:075B$/ && $4 == "01" { n++ } END { exit !n }'; then
        say "somebody is connected to it on port 1883"
    fi
}
choose_broker() { # as before, unless told otherwise: what others use is never closed unasked
    was=
    if [ -e "$CLOSED" ]; then was=whole; fi
    if [ -e "$BROKER_UNIT" ]; then was=own; fi
    if [ -e "$ADDED" ]; then was=shared; fi
    if [ -d "$FOR_BROKER" ]; then was=elsewhere; fi
    WHOSE=${WHOSE:-$was}
    if [ -z "$WHOSE" ]; then
        others=$(others_at_broker)
        [ -z "$others" ] || stop "others use Mosquitto on this machine: $others" \
            "nothing was changed. --broker own leaves it to them and runs a second one for Lullwatt; --broker shared leaves it to them and adds accounts for Lullwatt's topics; --broker whole closes it, on every port, to everybody without an account of this household"
        WHOSE=whole
    fi
    case $WHOSE in
        own) choose_port; URL=mqtts://127.0.0.1$(unless "$PORT" 8883) ;;
        whole) URL=mqtts://127.0.0.1 ;;
        shared) choose_their_port; URL=mqtt://127.0.0.1$(unless "$PORT" 1883) ;;
        elsewhere) BROKER=$FOR_BROKER; URL=${URL:-$(url_of_household)} ;;
    esac
    if [ "$was" ] && [ "$was" != "$WHOSE" ]; then MOVED=yes; fi
    now=$(url_of_household)
    case $WHOSE:$now in
        *: | *:"$URL") return ;;
        own:mqtts://* | whole:mqtts://*) # by whatever name this machine has
            if [ "$(port_of_household)" = "${PORT:-8883}" ]; then return; fi ;;
    esac
    stop "$HOUSE names the broker $now, and --broker $WHOSE means $URL" \
        "below bus: there, write broker: $URL$(how_else), then run this again"
}
how_else() { # what the household file says beside the broker
    case $WHOSE in
        shared) say ' without ca_file' ;;
        own | whole) say ' and ca_file: ca.pem' ;;
    esac
}
unless() { # PORT, THE USUAL ONE
    if [ "$1" != "$2" ]; then say ":$1"; fi
}
url_of_household() { # without what goes without saying
    sed -n '/^ *#/d; s#.*broker: *"\{0,1\}\(mqtts\{0,1\}://[^", }]*\).*#\1#p' "$HOUSE" 2>/dev/null | head -n 1 \
        | sed 's#/$##; s#//localhost#//127.0.0.1#; /^mqtts:/s#:8883$##; /^mqtt:/s#:1883$##'
}
port_of_household() {
    found=$(url_of_household | sed -n 's#^mqtts://[^:]*:\([0-9]*\)$#\1#p')
    say "${found:-8883}"
}
choose_port() { # of a broker of its own: that of the household file, else one that nobody has
    PORT=$(sed -n 's/^listener //p' "$BROKER/mosquitto.conf" 2>/dev/null || true)
    if [ "$PORT" ]; then return; fi
    if [ -e "$HOUSE" ]; then
        PORT=$(port_of_household)
        if is_taken "$PORT"; then
            stop "port $PORT, which $HOUSE names for the broker, is taken by another broker" \
                "write another one there, such as broker: mqtts://127.0.0.1:8884, then run this again"
        fi
        return
    fi
    for PORT in 8883 8884 8885 8886; do
        if ! is_taken "$PORT"; then return; fi
    done
    stop "the ports 8883 to 8886 are taken" "free one of them, then run this again"
}
is_taken() { # PORT, by the settings of another broker, or by whoever listens there
    if their_settings | grep -Eq "^[[:space:]]*(listener|port)[[:space:]]+$1([[:space:]]|\$)"; then return; fi
    if [ "$ROOT" ] || [ -e "$CLOSED" ]; then return 1; fi
    cat /proc/net/tcp /proc/net/tcp6 2>/dev/null \
        | awk -v port="$(printf ':%04X' "$1")" 'substr($2, length($2) - 4) == port && $4 == "0A" { n++ } END { exit !n }'
}
their_settings() { # every line of Mosquitto's settings that is not ours
    for file in "$ROOT/etc/mosquitto/mosquitto.conf" "$ROOT/etc/mosquitto/conf.d"/*.conf; do
        case $file in "$CLOSED" | "$SHARED") ;; *) if [ -f "$file" ]; then awk 1 "$file"; fi ;; esac
    done
}
their() { # KEYWORD, its values
    their_settings | sed -n "s/^[[:space:]]*$1[[:space:]][[:space:]]*\(.*[^[:space:]]\)[[:space:]]*\$/\1/p"
}
choose_their_port() { # the first on which this machine is heard without TLS
    for word in plugin auth_plugin psk_file; do
        if [ "$(their "$word")" ]; then cannot_share "$word stands in its settings"; fi
    done
    for word in per_listener_settings use_identity_as_username use_subject_as_username; do
        if their "$word" | grep -q '^true$'; then cannot_share "$word true stands in its settings"; fi
    done
    for word in acl_file password_file; do
        if [ "$(their "$word" | wc -l)" -gt 1 ]; then cannot_share "$word stands in its settings more than once"; fi
        file=$(their "$word")
        if [ "$file" ] && [ ! -f "$ROOT$file" ]; then cannot_share "its $word, $file, does not exist"; fi
    done
    PORT=$(their_settings | awk '
        $1 == "listener" || $1 == "port" { keep(); port = $2; at = $3; tls = 0 }
        $1 ~ /^(certfile|keyfile|http_dir)$/ || ($1 == "protocol" && $2 == "websockets") { tls = 1 }
        function keep() {
            if (port > 0 && !tls && !found && (at == "" || at ~ /^(127\.|0\.0\.0\.0$|localhost$)/)) found = port
            heard = heard || port != ""
        }
        END { keep(); print heard ? found : 1883 }')
    if [ -z "$PORT" ]; then cannot_share 'it has no port without TLS on 127.0.0.1'; fi
}
names_of_others() { # with which clients have signed in since Mosquitto started, by its log
    awk -v ours="$USERS" '
        BEGIN { n = split(ours, each, "\n"); for (i = 1; i <= n; i++) known[each[i]] = 1 }
        / mosquitto version .* starting$/ { split("", seen) }
        match($0, /, u\047[^\047]*\047\)/) && /New client connected/ { seen[substr($0, RSTART + 4, RLENGTH - 6)] = 1 }
        END { for (name in seen) if (!(name in known)) print name }
    ' "$ROOT/var/log/mosquitto/mosquitto.log" 2>/dev/null | sort | head -n 5 | tr '\n' ' ' | sed 's/ $//'
}
cannot_share() { # WHY NOT
    stop "accounts can't be added to the Mosquitto that is there: $1" \
        "it is as it was. --broker own runs a second one for Lullwatt; --broker mqtts://HOST prints what to add to a broker by hand"
}

# --- making it ------------------------------------------------------------------------------

make_broker() {
    WROTE=
    make_authority
    case $WHOSE in
        own | whole) # broker: what the daemon calls it among containers
            make_certificate "$BROKER" mosquitto broker ,DNS:broker ;;
    esac
    make_accounts
    if [ "$WHOSE" != own ]; then remove_broker_unit; fi
    if [ "$WHOSE" != whole ] && [ -e "$CLOSED" ]; then
        remove "$CLOSED"
        OPENED=yes
    fi
    if [ "$OPENED$WHOSE" = yesshared ]; then # it must listen for others again before they can be looked at
        ctl restart mosquitto
        OPENED=
    fi
    if [ "$WHOSE" != shared ]; then take_accounts_out; fi
    case $WHOSE in
        own) make_own_broker ;;
        whole) put "$CLOSED" 644 root:root < "$HERE/mosquitto-home.conf" ;;
        shared) add_accounts ;;
    esac
    if [ "$WHOSE" != elsewhere ]; then remove "$FOR_BROKER"; fi
    BROKER_CHANGED=$WROTE
}
make_own_broker() { # Mosquitto itself stays as it is, or becomes again as it was
    put "$BROKER/mosquitto.conf" 644 root:root <<END
$(sed "s/^listener 8883\$/listener $PORT/" "$HERE/mosquitto-home.conf")

# A broker beside another one keeps its own messages.
persistence_location /var/lib/lullwatt-broker/
END
    shared "$ROOT/etc/systemd/system"
    changed=$WROTE
    WROTE=
    put "$BROKER_UNIT" 644 root:root < "$HERE/lullwatt-broker.service"
    BROKER_UNIT_CHANGED=$WROTE
    WROTE=$changed$WROTE
}
remove_broker_unit() {
    if [ ! -e "$BROKER_UNIT" ]; then return; fi
    ctl disable --now lullwatt-broker
    remove "$BROKER_UNIT"
    remove "$BROKER_UNIT.d"
    remove "$BROKER/mosquitto.conf"
    remove "$BROKER_VAR"
    ctl daemon-reload
}

# --- accounts in a Mosquitto that others use ------------------------------------------------

edit() { # FILE of others, WHAT IS DONE: it gets $text; its owner and rights stay
    at=$(readlink -f "$1")
    if printf '%s\n' "$text" | cmp -s - "$at"; then return; fi
    step "$2 $1"
    cp -p "$at" "$at.lullwatt-new"
    if [ "$text" ]; then printf '%s\n' "$text"; fi > "$at.lullwatt-new"
    mv -fT "$at.lullwatt-new" "$at"
    WROTE=yes
}
without_rules() { # FILE: the rules of others in it
    if [ "$(grep -cx -e "$BEGINS" "$1")" != "$(grep -cx -e "$ENDS" "$1")" ]; then
        stop "in $1 one of the lines is missing between which the rules of Lullwatt stand" "remove those rules, then run this again"
    fi
    sed "/^$BEGINS\$/,/^$ENDS\$/d" "$1"
}
rules() { # for the topics of Lullwatt alone
    say "$BEGINS"
    say '# Others have no rights to these topics, whatever the rest of this list gives them.'
    sed -n 's/^topic readwrite \(lullwatt\/[^#]*#\)$/pattern deny \1/p' "$BROKER/access" | head -n 1
    sed '/^#/d; /./,$!d' "$BROKER/access"
    say "$ENDS"
}
without_accounts() { # FILE: the accounts of others in it
    awk -F: 'NR == FNR { ours[$1] = 1; next } !($1 in ours)' "$ADDED" "$1"
}
add_accounts() {
    list=$(their acl_file)
    passwords=$(their password_file)
    if [ -z "$DRY" ] || [ -z "$passwords" ]; then check_names; fi
    if [ "$DRY" ]; then
        step "add rules for Lullwatt's topics to ${list:-a new list, which gives everybody all other topics}"
        step "add accounts to ${passwords:-a new list, beside which clients without a name go on as before}"
        step "systemctl kill --signal=HUP mosquitto, so that it reads its lists again, which interrupts nobody"
        return
    fi
    could=$(may_connect)
    put "$ADDED" 600 root:root <<END
$(cut -d: -f1 "$BROKER/passwords" | cat - "$ADDED" 2>/dev/null | sort -u)
END
    if [ "$list" ]; then
        text=$(without_rules "$ROOT$list" && rules)
        edit "$ROOT$list" "add rules for Lullwatt's topics to"
    else
        put "$BROKER/rules" 600 mosquitto:mosquitto <<END
pattern readwrite #
pattern readwrite \$SYS/#
$(rules)
END
        list_line='acl_file /etc/mosquitto/home/rules'
    fi
    if [ "$passwords" ]; then
        text=$(without_accounts "$ROOT$passwords" && cat "$BROKER/passwords")
        edit "$ROOT$passwords" 'add accounts to'
    else
        passwords_line='password_file /etc/mosquitto/home/passwords'
    fi
    put "$SHARED" 644 root:root <<END
# Written by install.sh: accounts for Lullwatt beside those of others.
${list_line:-# Its rules stand in $list.}
${passwords_line:-# Its accounts stand in $passwords.}
END
    if [ "$WROTE$AGAIN" ]; then reload_broker; fi
    see_that_all_connect
}
check_names() { # neither shuts out a client of others, nor takes a name of theirs
    if [ -z "$passwords" ]; then
        names=$(names_of_others)
        if [ "$names" ]; then
            cannot_share "it has no password_file, and would refuse clients that already sign in with a name: $names"
        fi
        return
    fi
    touch "$ADDED.none"
    known=$ADDED
    if [ ! -e "$known" ]; then known=$ADDED.none; fi
    twice=$(awk -F: 'FILENAME == ARGV[1] { old[$1] = 1; next } FILENAME == ARGV[2] { theirs[$1] = 1; next }
        $1 in theirs && !($1 in old) { print $1; exit }' "$known" "$ROOT$passwords" "$BROKER/passwords")
    rm "$ADDED.none"
    if [ "$twice" ]; then cannot_share "somebody else has the account $twice in $passwords"; fi
}
may_connect() { # NAME AND PASSWORD IN A FILE, if any: whether a client may; empty if nothing answers
    if [ "$ROOT" ]; then return; fi
    code=0
    XDG_CONFIG_HOME=${1:-/nonexistent} timeout 10 mosquitto_sub -h 127.0.0.1 -p "$PORT" -t lullwatt/none -W 1 >/dev/null 2>&1 || code=$?
    case $code in 0 | 27) say yes ;; 5) say no ;; esac
}
see_that_all_connect() { # what could before, and the daemon now; else it becomes again as it was
    if [ "$ROOT" ] || [ -z "$WROTE$AGAIN" ]; then return; fi
    WORK=$(mktemp -d)
    printf -- '-u %s\n-P %s\n' "$DAEMON" "$(cat "$(account "$DAEMON")")" > "$WORK/mosquitto_sub"
    for _ in 1 2 3 4 5; do # it reads its files a moment later, and says nothing
        ours=$(may_connect "$WORK")
        if [ "$ours" = yes ]; then break; fi
        sleep 1
    done
    can=$(may_connect)
    rm -r "$WORK"
    if [ "$ours" = yes ] && { [ "$can" = "$could" ] || [ -z "$could" ]; }; then return; fi
    take_accounts_out
    reload_broker
    if [ "$ours" != yes ]; then cannot_share "it does not accept the daemon on port $PORT (journalctl -u mosquitto may say why)"; fi
    cannot_share 'clients without a name could connect before, and then not'
}
reload_broker() { # not by its unit's own reload: that needs /bin/kill, which a small Debian lacks
    if [ "$ROOT" ] || systemctl --quiet is-active mosquitto; then ctl kill --signal=HUP mosquitto; else ctl start mosquitto; fi
}
take_accounts_out() {
    if [ ! -e "$ADDED" ]; then return; fi
    step "take the accounts and rules of Lullwatt out of the Mosquitto of others"
    TAKEN_OUT=yes
    if [ "$DRY" ]; then return; fi
    for list in $(their acl_file); do
        if [ -f "$ROOT$list" ]; then
            text=$(without_rules "$ROOT$list")
            edit "$ROOT$list" 'take the rules out of'
        fi
    done
    for passwords in $(their password_file); do
        if [ -f "$ROOT$passwords" ]; then
            text=$(without_accounts "$ROOT$passwords")
            edit "$ROOT$passwords" 'take the accounts out of'
        fi
    done
    remove "$SHARED"
    remove "$BROKER/rules"
    remove "$ADDED"
}

# --- a broker on another machine ------------------------------------------------------------

say_what_to_add() { # for whoever runs it
    if [ "$WHOSE" != elsewhere ] || [ "$DRY" ]; then return; fi
    put "$FOR_BROKER/rules" 600 root:root <<END
$(rules)
END
    cat <<END
left to do at the broker ${URL#*://}, by whoever runs it. For Mosquitto:
    add the lines of $FOR_BROKER/passwords to its password_file
    add the lines of $FOR_BROKER/rules at the end of its acl_file. Is there none yet? Then write these
    two lines above them, so that everybody else has all other topics as before:
        pattern readwrite #
        pattern readwrite \$SYS/#
    then systemctl reload mosquitto, which interrupts nobody
Any other broker: $FOR_BROKER/access says who needs which rights.
If its certificate comes from an authority of its own, put that in $ETC/broker-ca.pem and write
ca_file: broker-ca.pem below bus: in $HOUSE.
END
}
