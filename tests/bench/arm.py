"""``python -m tests.bench.arm``: the same takes heard here and on an emulated 64-bit Arm Debian.

A Debian for Arm is made in a folder and run through the emulator that the kernel is told of
(Debian: qemu-user-static, binfmt-support, arch-test). The program is set up in it as a user would,
from ready wheels, and ``listen`` hears the same files there. Every landing and settled pitch must
agree to 0.1 cent.
"""

import argparse
import json
import math
import platform
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile

from tests.bench.containers import TOP, Container, container
from tests.bench.takes import RATE_HZ, build, instrument_of

LIMIT_CENTS = 0.1
SEEDS = (9007, 9000, 9001, 9002, 9003)  # voice, violin, viola, cello, double bass
NOTES = 10
LEVELS_DB: tuple[float | None, ...] = (0.0, None)
PITCHES = ("landing_hz", "settled_hz")

Note = dict[str, object]


@dataclass(frozen=True)
class Compared:
    """One take, heard twice."""

    instrument: str
    drone: bool
    here: int
    there: int
    worst_cents: float

    @property
    def agrees(self) -> bool:
        return self.here == self.there > 0 and self.worst_cents <= LIMIT_CENTS


def write_take(path: Path, seed: int, level_db: float | None) -> None:
    """Write one take of the benchmark of the ear as ``listen`` reads it."""
    scene = build(seed, level_db, notes=NOTES)
    channels = [scene.mic] if scene.sent is None else [scene.mic, scene.sent]
    soundfile.write(path, np.stack(channels, axis=1), round(RATE_HZ), subtype="PCM_24")


def compare(instrument: str, drone: bool, here: list[Note], there: list[Note]) -> Compared:
    """Set what was heard here beside what was heard there."""
    apart = [
        _apart_cents(one[key], other[key])
        for one, other in zip(here, there, strict=False)
        for key in PITCHES
    ]
    return Compared(instrument, drone, len(here), len(there), max(apart, default=math.inf))


def _apart_cents(one: object, other: object) -> float:
    if one is None and other is None:
        return 0.0
    if not isinstance(one, float) or not isinstance(other, float):
        return math.inf
    return abs(1200.0 * math.log2(one / other))


def _notes(said: str) -> list[Note]:
    return [json.loads(line) for line in said.splitlines() if line.startswith("{")]


def heard_here(take: Path, instrument: str) -> list[Note]:
    """What this machine hears."""
    words = [sys.executable, "-m", "appliance", "listen", str(take), "--json"]
    ran = subprocess.run(
        [*words, "--instrument", instrument], cwd=TOP, check=True, capture_output=True, text=True
    )
    return _notes(ran.stdout)


def set_up(arm: Container) -> str:
    """Set the program up on the other machine; return what it is."""
    arm.copy_clone("/groundnote")
    # The emulator would compile all of numpy before its time.
    arm.shell("cd /groundnote; export PIP_NO_COMPILE=1; . appliance/setup.sh; set_up libportaudio2")
    tell = "import numpy, aubio, sounddevice, platform, lgpio; print(platform.machine(), "
    tell += "platform.python_version(), numpy.__version__, aubio.version)"
    return arm.run("/groundnote/.venv/bin/python", "-c", tell).stdout.strip()


def measure(arm: Container, seeds: Sequence[int]) -> list[Compared]:
    """Hear every take twice."""
    found = []
    for seed in seeds:
        for level_db in LEVELS_DB:
            take = arm.folder / "take.wav"
            write_take(take, seed, level_db)
            instrument = instrument_of(seed)
            words = ["/groundnote/.venv/bin/groundnote", "listen", "/take.wav", "--json"]
            said = arm.run(*words, "--instrument", instrument).stdout
            here = heard_here(take, instrument)
            found.append(compare(instrument, level_db is not None, here, _notes(said)))
            print(row(found[-1]), flush=True)
    return found


def row(one: Compared) -> str:
    drone = "0 dB" if one.drone else "none"
    return f"{one.instrument:12} {drone:>6} {one.here:5d} {one.there:5d} {one.worst_cents:13.6f}"


def main() -> int:
    """Measure and print; return 1 where something disagrees."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--suite", default="bookworm", help="a Debian release")
    parser.add_argument("--takes", type=int, default=len(SEEDS), help="so many instruments")
    options = parser.parse_args()
    began_s = time.monotonic()
    packages = ("python3", "python3-venv", "libportaudio2")
    with container(options.suite, packages, "arm64") as arm:
        there = set_up(arm)
        print(f"here: {platform.machine()}, Python {platform.python_version()}; there: {there}")
        print(f"{'instrument':12} {'drone':>6} {'here':>5} {'there':>5} {'worst, cents':>13}")
        found = measure(arm, SEEDS[: options.takes])
    kept = all(one.agrees for one in found)
    verdict = "kept" if kept else "NOT kept"
    print(f"{time.monotonic() - began_s:.0f} s; limit {LIMIT_CENTS} cent {verdict}")
    return 0 if kept else 1


if __name__ == "__main__":
    sys.exit(main())
