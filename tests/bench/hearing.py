"""``python -m tests.bench.hearing``: what hearing costs, in a long file and live.

A benchmark take (a player through a drone of +6 dB) is heard once, and again and again until a
minute and an hour are full: cost per second of sound, and memory. Then live, in blocks of 512
frames as the sound interface hands them over: share of one core, the longest block, how long after
its end a note is told. aubio's ``yinfft`` hears the same blocks in the same run.
"""

import argparse
import resource
import time
from itertools import cycle, islice

import aubio
import numpy as np

from appliance.hearing.ear import Ear
from appliance.settings import Settings
from appliance.vocabulary import NoteEnded
from tests.bench.takes import build
from tests.tones import Scene

BLOCK_FRAMES = 512
SEED, LEVEL_DB = 9001, 6.0
MOST_RATIO, MOST_SHARE, MOST_DELAY_S = 1.1, 0.06, 0.5


def hear_for(take: Scene, seconds: float, block_frames: int) -> tuple[float, float, list[float]]:
    """Hear the take over and over: processor seconds, the longest block, delays of note ends."""
    ear = Ear(Settings(), take.instrument, take.sample_rate_hz)
    assert take.sent is not None
    mic, sent = take.mic, take.sent
    delays: list[float] = []
    heard, spent, longest = 0, 0.0, 0.0
    blocks = int(seconds * take.sample_rate_hz / block_frames)
    for at in islice(cycle(range(0, len(mic) - block_frames + 1, block_frames)), blocks):
        began = time.thread_time()
        events = ear.hear(mic[at : at + block_frames], sent[at : at + block_frames])
        took = time.thread_time() - began
        heard += block_frames
        spent, longest = spent + took, max(longest, took)
        now_s = heard / take.sample_rate_hz
        delays += [now_s - event.note.end_s for event in events if isinstance(event, NoteEnded)]
    return spent, longest, delays


def yinfft_for(take: Scene, seconds: float) -> float:
    """Processor seconds of aubio's ``yinfft`` on the same blocks."""
    pitch = aubio.pitch("yinfft", 4 * BLOCK_FRAMES, BLOCK_FRAMES, int(take.sample_rate_hz))
    blocks = take.mic[: len(take.mic) // BLOCK_FRAMES * BLOCK_FRAMES].astype(np.float32)
    blocks = blocks.reshape(-1, BLOCK_FRAMES)
    began = time.thread_time()
    for block in islice(cycle(blocks), int(seconds * take.sample_rate_hz / BLOCK_FRAMES)):
        pitch(block)
    return time.thread_time() - began


def memory_mb() -> float:
    """The most memory this process has had."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main() -> None:
    """Measure and print, each figure beside its limit."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.hearing", description=__doc__)
    parser.add_argument("--minutes", type=float, default=60.0, help="the long one")
    options = parser.parse_args()
    take = build(SEED, LEVEL_DB)
    seconds = 60.0 * options.minutes
    hear_for(take, 10.0, BLOCK_FRAMES)  # what is loaded at the first call belongs to the start
    minute, _, _ = hear_for(take, 60.0, int(take.sample_rate_hz))
    before = memory_mb()
    long, _, _ = hear_for(take, seconds, int(take.sample_rate_hz))
    print(f"take of seed {SEED}, {take.instrument}, drone {LEVEL_DB:+.0f} dB, in seconds' blocks")
    print(f"one minute: {60 / minute:.1f} x real time")
    print(f"{options.minutes:g} minutes: {seconds / long:.1f} x real time")
    print(f"cost per second, long to short: {long / seconds * 60 / minute:.3f} (≤ {MOST_RATIO})")
    print(f"memory: {memory_mb() - before:.1f} MB more after that than before it")
    live, longest, delays = hear_for(take, 600.0, BLOCK_FRAMES)
    print(f"live, ten minutes in blocks of {BLOCK_FRAMES} frames:")
    print(f"  {live / 600.0:.1%} of one core (≤ {MOST_SHARE:.0%})")
    print(f"  the longest block took {1e3 * longest:.1f} ms")
    print(
        f"  a note is told {np.median(delays):.2f} s after its end in the middle, "
        f"{np.max(delays):.2f} s at most (≤ {MOST_DELAY_S})"
    )
    print(f"aubio yinfft on the same blocks: {yinfft_for(take, 600.0) / live:.3f} of that time")


if __name__ == "__main__":
    main()
