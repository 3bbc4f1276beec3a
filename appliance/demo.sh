#!/bin/sh
# Set up everything Groundnote needs, let an invented player practise two weeks in a simulated room,
# then serve the week that was heard.
#
#   sh appliance/demo.sh [--once] [option of "groundnote demo"]...
#
# --once ends after the comparison of planted and found, without serving pages.
set -eu
cd -- "$(dirname -- "$0")/.."
. appliance/setup.sh

once=
if [ "${1:-}" = --once ]; then
    once=yes
    shift
fi

set_up "libportaudio2"
log=build/groundnote-demo.db
.venv/bin/groundnote demo --log "$log" "$@"
[ -n "$once" ] || exec .venv/bin/groundnote-web --log "$log" --port 0 # any that is free
