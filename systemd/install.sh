#!/bin/sh
# Make this machine a Groundnote room: packages, user, program, settings, address, services.
#
#   sudo sh systemd/install.sh [--room NAME]     install, or update to this clone
#   sudo sh systemd/install.sh --uninstall       take it away; log and settings stay
#
# Run again at any time. The program is built beside the one that runs; the log is backed up before
# a new program touches it. --room names the room, and its address NAME.local, when it is first
# installed; without it the room is called as the machine is.
set -eu
cd -- "$(dirname -- "$0")/.."
. appliance/setup.sh

home=/opt/groundnote
settings=/etc/groundnote/settings.toml
state=/var/lib/groundnote
avahi=/etc/avahi/avahi-daemon.conf
pins=/etc/udev/rules.d/60-groundnote-gpio.rules
parts="appliance web systemd hardware pyproject.toml requirements.lock README.md LICENSE"

say() {
    printf 'Groundnote: %s\n' "$1"
}

# usage: say how this is called, and stop.
usage() {
    fail "this takes --room NAME, or --uninstall, or nothing; NAME has a letter or a digit of ASCII."
}

# label NAME: print NAME as a name on the network: a to z, digits and hyphens, 63 at most.
label() {
    printf '%s' "$1" | LC_ALL=C tr '[:upper:]' '[:lower:]' |
        LC_ALL=C sed -e 's/[^a-z0-9-][^a-z0-9-]*/-/g' -e 's/^-*//' | cut -c 1-63 | sed -e 's/-*$//'
}

# check_machine: stop unless this is a machine that can become a room.
check_machine() {
    [ "$(id -u)" -eq 0 ] || fail "this must run as root: sudo sh systemd/install.sh"
    [ -d /run/systemd/system ] || fail "systemd does not run here: start groundnote by hand."
}

# The services that always run, and the timers; what a timer starts is a unit as well.
running="groundnote.service groundnote-web.service groundnote-backup.timer"
units="$running groundnote-backup.service"

# make_user: the services' own user, in the groups audio and gpio. Others that it has been given
# (input, for pedals that type keys) it keeps.
make_user() {
    if ! getent group gpio >/dev/null; then
        groupadd --system gpio
        install -D -m 0644 systemd/60-groundnote-gpio.rules "$pins"
        udevadm trigger --subsystem-match=gpio 2>/dev/null || true
    fi
    getent group audio >/dev/null || groupadd --system audio
    getent passwd groundnote >/dev/null ||
        useradd --system --user-group --no-create-home --home-dir "$state" \
            --shell /usr/sbin/nologin groundnote
    usermod --append --groups audio,gpio groundnote
    install -d -m 0750 -o groundnote -g groundnote "$state"
}

# needs_systems_lgpio: whether there is no ready wheel of lgpio for this Python.
needs_systems_lgpio() {
    python3 -c 'import sys; sys.exit(sys.version_info < (3, 13))'
}

# take_systems_lgpio: let the program see the system's lgpio; plain Debian has none.
take_systems_lgpio() {
    if apt-cache show python3-lgpio >/dev/null 2>&1; then
        install_packages python3-lgpio
        python3 -m venv --without-pip --system-site-packages .venv
    else
        say "this system has no python3-lgpio: take pedals that type keys, or Raspberry Pi OS."
    fi
}

# build_program: the program of this clone, whole, in a folder named by its content: $program.
build_program() {
    # shellcheck disable=SC2086  # one word for each part
    sum=$(find $parts -name __pycache__ -prune -o -type f -print | LC_ALL=C sort |
        while IFS= read -r file; do sha256sum "$file"; done | sha256sum | cut -c 1-12)
    program=$home/program-$sum
    say "the program goes to $program"
    install -d -m 0755 "$home" "$program"
    # shellcheck disable=SC2086
    tar --create --exclude=__pycache__ $parts |
        tar --extract --no-same-owner --no-same-permissions --directory "$program"
    (
        cd "$program"
        set_up "$packages"
        if needs_systems_lgpio; then
            take_systems_lgpio
        fi
        .venv/bin/python -m compileall -q appliance web ||
            fail "this clone is not whole: fetch it again. What ran before still runs."
    )
}

# choose_sound: the interface that does both ways, or what they are mostly called.
choose_sound() {
    device=$("$program/.venv/bin/groundnote" sound --choose 2>/dev/null) || device=
    "$program/.venv/bin/groundnote" sound 2>/dev/null || true
    if [ -n "$device" ]; then
        say "the sound device is '$device', which does both ways."
    else
        device="USB Audio"
        say "there is not one sound device that does both ways. One that has '$device' in its name"
        say "will be taken once it is plugged in; another is named in $settings."
    fi
}

# write_settings ROOM: settings for this room, unless there are some; and what may stand in them.
write_settings() {
    groundnote=$program/.venv/bin/groundnote
    install -d -m 0755 "${settings%/*}"
    "$groundnote" settings >"${settings%.toml}.example.toml"
    if [ -e "$settings" ]; then
        "$groundnote" settings "$settings" >/dev/null ||
            fail "the settings must be corrected first; what ran before still runs."
        say "the settings in $settings stay as they are."
    else
        choose_sound
        "$groundnote" settings --set "room.name=$1" --set "room.log_path=$state/groundnote.db" \
            --set "sound.device=$device" >"$settings.new"
        mv "$settings.new" "$settings"
        say "the settings are in $settings."
    fi
    chown root:groundnote "$settings"
    chmod 0640 "$settings"
}

# setting TABLE KEY: print a setting that holds.
setting() {
    "$program/.venv/bin/python" - "$settings" "$1" "$2" <<'PYTHON'
import sys
from pathlib import Path
from appliance.settings import load
print(getattr(getattr(load(Path(sys.argv[1])), sys.argv[2]), sys.argv[3]))
PYTHON
}

# switch_program: stop, back up the log, take the new program, start.
switch_program() {
    # shellcheck disable=SC2086  # one word for each unit
    systemctl stop $units 2>/dev/null || true
    log=$(setting room log_path)
    if [ -e "$log" ]; then
        as_room "$program/.venv/bin/groundnote" backup --settings "$settings" || {
            # shellcheck disable=SC2086
            systemctl start $running 2>/dev/null || true
            fail "the log could not be backed up, so nothing was changed: what ran before goes on."
        }
    fi
    ln -s "$program" "$home/current.new"
    mv --no-target-directory "$home/current.new" "$home/current"
    ln -sf "$home/current/.venv/bin/groundnote" /usr/local/bin/groundnote
    for unit in $units; do
        install -m 0644 "systemd/$unit" "/etc/systemd/system/$unit"
    done
    systemctl daemon-reload
    # shellcheck disable=SC2086
    systemctl -q enable $running
}

# as_room COMMAND...: run it as the services' user, where its home is.
as_room() {
    (cd "$state" && runuser -u groundnote -- "$@")
}

# set_address NAME: answer to NAME.local. Only the name in the network's own name service changes,
# not the machine's; nothing changes where the machine has that name already.
set_address() {
    [ "$1" != "$(uname -n)" ] || return 0
    grep -qx "host-name=$1" "$avahi" && return 0
    sed -i -e '/^host-name=/d' -e "s/^\[server\]\$/[server]\nhost-name=$1/" "$avahi"
    systemctl restart avahi-daemon
    say "on the network this machine is now $1.local, also for ssh."
}

# start: start the services, and say why if the room does not run.
start() {
    # shellcheck disable=SC2086
    systemctl start $running 2>/dev/null || {
        say "it is installed, but does not run yet. It goes on trying, and says:"
        journalctl --unit=groundnote.service --identifier=groundnote --lines=1 --output=cat --no-pager
    }
}

# clear_old: programs that nothing uses any more.
clear_old() {
    for old in "$home"/program-*; do
        [ "$old" = "$program" ] || rm -rf "$old"
    done
}

install_room() {
    check_machine
    packages="libportaudio2 avahi-daemon"
    check_python
    umask 022
    build_program
    make_user
    write_settings "$room"
    switch_program
    set_address "$(label "$(setting room name)")"
    start
    clear_old
    say "the pages are at http://$(label "$(setting room name)").local:$(setting web port)/"
    code=$(as_room "$program/.venv/bin/groundnote" owner-code --settings "$settings") || code=
    [ -z "$code" ] || say "$code"
    say "next: groundnote check (systemd/README.md), and the sheet hardware/commissioning.md."
}

uninstall() {
    check_machine
    # shellcheck disable=SC2086
    systemctl -q disable --now $running 2>/dev/null || true
    for unit in $units; do
        rm -f "/etc/systemd/system/$unit"
    done
    systemctl daemon-reload
    if grep -qs '^host-name=' "$avahi"; then
        sed -i '/^host-name=/d' "$avahi"
        systemctl restart avahi-daemon
    fi
    rm -rf "$home" /usr/local/bin/groundnote "$pins"
    say "it is taken away. The log is still in $state, the settings in ${settings%/*}."
    say "To erase them as well: sudo rm -r $state ${settings%/*}; sudo userdel groundnote"
}

room=$(uname -n)
case "${1-}" in
--uninstall)
    [ $# -eq 1 ] || usage
    uninstall
    ;;
--room)
    [ $# -eq 2 ] || usage
    [ -n "$(label "$2")" ] || usage
    room=$2
    install_room
    ;;
'') install_room ;;
*) usage ;;
esac
