"""``python -m tests.bench.tones``: how well and how fast the ear hears recorded tones.

Takes are built from seeds with the soundfont of Debian's fluid-soundfont-gm; the truth is Praat's
autocorrelation on the dry tone. Notes are paired one to one by start, within 100 ms, whatever the
pitch. Landing and settled: absolute error in cents, median / 95th percentile, all paired notes.
General trackers hear the same takes in the same run (``tests/bench/peers.py``).
"""

import argparse
import os
import platform
import time
from collections.abc import Sequence

import numpy as np

from appliance.hearing.ear import Ear
from appliance.instruments import INSTRUMENTS
from appliance.settings import Settings
from appliance.vocabulary import HeardNote, NoteEnded
from tests.bench.peers import PEERS, landings
from tests.tones import RANGES, STYLES, Room, Scene, Score, match, scene

FIRST_SEED = 9000  # for reports only; tune on other seeds
BLOCK_FRAMES = 4096
_DRONE_SEMITONES = 7  # above the lowest note: low in the range, like a real drone


def listen(take: Scene) -> tuple[list[HeardNote], float]:
    """Return the notes of a take, and the processor seconds it took to hear them."""
    began = time.process_time()
    ear = Ear(Settings(), take.instrument, take.sample_rate_hz)
    events = []
    for at in range(0, len(take.mic), BLOCK_FRAMES):
        sent = None if take.sent is None else take.sent[at : at + BLOCK_FRAMES]
        events += ear.hear(take.mic[at : at + BLOCK_FRAMES], sent)
    events += ear.finish()
    spent = time.process_time() - began
    return [event.note for event in events if isinstance(event, NoteEnded)], spent


def build(instrument: str, style: str, level_db: float | None, notes: int, seed: int) -> Scene:
    """One take; ``level_db`` None means without a drone."""
    if level_db is None:
        return scene(seed, instrument, notes, style)
    drone_hz = 440.0 * 2.0 ** ((RANGES[instrument][0] + _DRONE_SEMITONES - 69) / 12)
    room = Room(level_db=level_db, drift_ppm=30.0)
    return scene(seed, instrument, notes, style, drone=drone_hz, room=room, lead_in_s=4.0)


def measure(
    instruments: Sequence[str],
    styles: Sequence[str],
    levels: Sequence[float | None],
    notes: int,
    first_seed: int = FIRST_SEED,
) -> None:
    """Print a row for every instrument, style and level, and one for each level's pool."""
    for level in levels:
        pool, sound_s, spent_s = Score(), 0.0, 0.0
        peers: dict[str, tuple[list[float], float]] = {name: ([], 0.0) for name in PEERS}
        for number, (instrument, style) in enumerate(
            (instrument, style) for instrument in instruments for style in styles
        ):
            take = build(instrument, style, level, notes, first_seed + number)
            found, spent = listen(take)
            score = match(found, take.truths)
            pool.add(score)
            sound_s, spent_s = sound_s + take.seconds, spent_s + spent
            for name, tracker in PEERS.items():
                errors, seconds = landings(take, tracker)
                peers[name] = (peers[name][0] + errors, peers[name][1] + seconds)
            _print(level, instrument, style, score, take.seconds / spent)
        _print(level, "all", "", pool, sound_s / spent_s)
        for name, (errors, seconds) in peers.items():
            _print_peer(name, errors, sound_s / seconds, seconds / spent_s)


def _print(level: float | None, instrument: str, style: str, score: Score, speed: float) -> None:
    drone = "no drone" if level is None else f"{level:+.0f} dB"
    print(
        f"{drone:8} {instrument:12} {style:13} {score.row()}  slope {score.slope():5.2f}  "
        f"{speed:5.1f} x real time",
        flush=True,
    )


def _print_peer(name: str, errors: Sequence[float], speed: float, ratio: float) -> None:
    off = np.abs(errors)
    right = off[off <= 50.0]
    middle, far = np.percentile(right, [50, 95]) if len(right) else (np.nan, np.nan)
    print(
        f"         {name:13} {len(off):4d} notes, times given  wrong {np.mean(off > 50):6.1%}  "
        f"landing of the rest {middle:5.2f}/{far:6.2f}  {speed:5.1f} x real time, "
        f"{ratio:.2f} of the ear's time",
        flush=True,
    )


def main() -> None:
    """Read the options and print the table."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.tones", description=__doc__)
    parser.add_argument("--notes", type=int, default=40, help="per instrument, style and level")
    parser.add_argument("--instruments", nargs="+", default=list(RANGES)[:5], choices=INSTRUMENTS)
    parser.add_argument("--styles", nargs="+", default=["slow"], choices=STYLES)
    parser.add_argument("--levels", nargs="+", default=["none", "-12"], help="none, or dB")
    parser.add_argument("--seed", type=int, default=FIRST_SEED)
    options = parser.parse_args()
    levels = [None if level == "none" else float(level) for level in options.levels]
    cores = os.cpu_count()
    print(f"{platform.machine()}, {cores} cores; seeds from {options.seed}; all work on one core")
    measure(options.instruments, options.styles, levels, options.notes, options.seed)


if __name__ == "__main__":
    main()
