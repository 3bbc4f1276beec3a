"""General trackers on the same takes, told when each note begins: what the ear is measured against.

They are given the true times (generous: the ear must find them) and the microphone as it is, drone
included. Landing: the median of their frames from 80 to 250 ms after the note's start.
"""

import time
from collections.abc import Callable

import aubio
import numpy as np
import parselmouth

from tests.tones import RANGES, Scene
from tests.truths import Audio, cents_between, hz_of

_HOP_S = 0.01
_WINDOW = 2048
_FROM_S, _TO_S = 0.08, 0.25
_MARGIN = 1.1  # of the instrument's range, so that a note 40 cents off its end can be read


def aubio_yinfast(take: Scene) -> tuple[Audio, Audio]:
    """Times and Hz of aubio's method ``yinfast``."""
    rate = int(take.sample_rate_hz)
    hop = int(_HOP_S * rate)
    pitch = aubio.pitch("yinfast", _WINDOW, hop, rate)
    blocks = take.mic[: len(take.mic) // hop * hop].astype(np.float32).reshape(-1, hop)
    hz = np.array([pitch(block)[0] for block in blocks])
    times = (np.arange(len(hz)) + 1) * hop / rate - 0.72 * _WINDOW / rate
    return times, hz


def praat(take: Scene) -> tuple[Audio, Audio]:
    """Times and Hz of Praat's autocorrelation (Boersma 1993), in the instrument's range."""
    low, high = RANGES[take.instrument]
    pitch = parselmouth.Sound(take.mic, take.sample_rate_hz).to_pitch_ac(
        time_step=_HOP_S, pitch_floor=hz_of(low) / _MARGIN, pitch_ceiling=hz_of(high) * _MARGIN
    )
    return np.asarray(pitch.xs()), np.array(pitch.selected_array["frequency"])


PEERS: dict[str, Callable[[Scene], tuple[Audio, Audio]]] = {
    "aubio yinfast": aubio_yinfast,
    "Praat": praat,
}


def landings(
    take: Scene, tracker: Callable[[Scene], tuple[Audio, Audio]]
) -> tuple[list[float], float]:
    """Landing errors in cents (inf: no pitch read), and the processor seconds it took."""
    began = time.process_time()
    times, hz = tracker(take)
    spent = time.process_time() - began
    errors = []
    for truth in take.truths:
        inside = (times > truth.start_s + _FROM_S) & (times < truth.start_s + _TO_S) & (hz > 0)
        read = float(np.median(hz[inside])) if inside.any() else 0.0
        errors.append(cents_between(read, truth.landing_hz) if read else float("inf"))
    return errors, spent
