#!/bin/sh
# Set up everything the tests need, then run the checks and the tests.
# Arguments go to pytest: sh tests/run.sh -k landings
set -eu
cd -- "$(dirname -- "$0")/.."
. appliance/setup.sh

sound="libportaudio2 jackd2"
tones="fluid-soundfont-gm timgm6mb-soundfont csound-soundfont musescore-general-soundfont-small"
set_up "$sound $tones chromium espeak-ng libatomic1 zbar-tools shellcheck nginx" tests/requirements.lock
.venv/bin/ruff check .
.venv/bin/ruff format --check .
.venv/bin/mypy
exec .venv/bin/python -m pytest "$@"
