#!/bin/sh
# Set up everything the tests need, then run the checks and the tests.
# Arguments go to pytest: sh tests/run.sh -k landings
set -eu
cd -- "$(dirname -- "$0")/.."
. appliance/setup.sh

set_up "libportaudio2 jackd2 chromium libatomic1 fluid-soundfont-gm" tests/requirements.lock
.venv/bin/ruff check .
.venv/bin/ruff format --check .
.venv/bin/mypy
exec .venv/bin/python -m pytest "$@"
