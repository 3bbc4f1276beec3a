"""General trackers on the same takes, told when each note begins: what the ear is measured against.

They are given the true times (generous: the ear must find them) and the microphone as it is, drone
included. Landing: the median of their frames from 80 to 250 ms after the note's start, and the mean
of one cycle from 80 ms on where vibrato runs from the start.
"""

import time
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cache

import aubio
import librosa
import numpy as np
import parselmouth

from tests.lines import RANGES
from tests.scoring import WRONG_CENTS, percentile, share
from tests.tones import Scene
from tests.truths import Audio, Truth, cents_between, hz_of

_HOP_S = 0.01
_PERIODS = 3.0  # of the lowest note in a window: fewer cannot be read
_LEAST_WINDOW = 2048
_FROM_S, _TO_S = 0.08, 0.25
_MARGIN = 1.1  # of the instrument's range, so that a note 40 cents off its end can be read
_PYIN_RATE_HZ = 24000.0  # as the ear itself: twice as fast as at 48 kHz

Tracked = tuple[Audio, Audio]  # times (s) and Hz, 0 where nothing is read


@dataclass
class PeerScore:
    """Landing errors in cents, infinite where no pitch was read; what it took."""

    errors: list[float] = field(default_factory=list)
    sound_s: float = 0.0
    spent_s: float = 0.0

    @property
    def wrong(self) -> float:
        return share([abs(error) > WRONG_CENTS for error in self.errors])

    @property
    def speed(self) -> float:
        return self.sound_s / self.spent_s

    def landing(self, percent: float) -> float:
        """Percentile of those that are not wrong."""
        return percentile([e for e in self.errors if abs(e) <= WRONG_CENTS], percent)

    @property
    def rest(self) -> str:
        """Median / 95 % of those, for people."""
        if self.wrong == 1.0:
            return "–"
        return f"{self.landing(50):.2f} / {self.landing(95):.2f}"

    def add(self, other: "PeerScore") -> None:
        self.errors += other.errors
        self.sound_s += other.sound_s
        self.spent_s += other.spent_s


def _range_hz(take: Scene) -> tuple[float, float]:
    low, high = RANGES[take.instrument]
    return hz_of(low) / _MARGIN, hz_of(high) * _MARGIN


def _window(take: Scene, rate_hz: float) -> int:
    """The power of two that holds enough periods of the instrument's lowest note."""
    needed = _PERIODS * rate_hz / _range_hz(take)[0]
    return max(_LEAST_WINDOW, 1 << int(np.ceil(np.log2(needed))))


_AUBIO = {"yinfft": 0.5, "yinfast": 0.72}  # where in its window a reading stands, from the end


def _aubio(take: Scene, method: str) -> Tracked:
    rate = int(take.sample_rate_hz)
    hop, window = int(_HOP_S * rate), _window(take, rate)
    pitch = aubio.pitch(method, window, hop, rate)
    pitch.set_silence(-90.0)  # so that a soft note is read, too
    blocks = take.mic[: len(take.mic) // hop * hop].astype(np.float32).reshape(-1, hop)
    hz = np.array([pitch(block)[0] for block in blocks], np.float64)
    return (np.arange(len(hz)) + 1) * hop / rate - _AUBIO[method] * window / rate, hz


def _praat(take: Scene) -> Tracked:
    low, high = _range_hz(take)
    pitch = parselmouth.Sound(take.mic, take.sample_rate_hz).to_pitch_ac(
        time_step=_HOP_S, pitch_floor=low, pitch_ceiling=high
    )
    return np.asarray(pitch.xs()), np.array(pitch.selected_array["frequency"])


def _pyin(take: Scene) -> Tracked:
    low, high = _range_hz(take)
    hop = int(_HOP_S * _PYIN_RATE_HZ)
    audio = librosa.resample(take.mic, orig_sr=take.sample_rate_hz, target_sr=_PYIN_RATE_HZ)
    hz, _, _ = librosa.pyin(
        audio,
        fmin=low,
        fmax=high,
        sr=_PYIN_RATE_HZ,
        frame_length=_window(take, _PYIN_RATE_HZ),
        hop_length=hop,
    )
    return np.arange(len(hz)) * hop / _PYIN_RATE_HZ, np.nan_to_num(hz)


PEERS: dict[str, Callable[[Scene], Tracked]] = {
    "aubio yinfft": lambda take: _aubio(take, "yinfft"),
    "aubio yinfast": lambda take: _aubio(take, "yinfast"),
    "Praat": _praat,
}
PYIN = "pYIN"


@cache
def _pyin_compiled() -> None:
    """Compile it before it is timed."""
    librosa.pyin(np.zeros(8192), fmin=100.0, fmax=400.0, sr=_PYIN_RATE_HZ)


def follow(take: Scene, *, pyin: bool = False) -> dict[str, PeerScore]:
    """Every tracker's landings on a take; pYIN's where asked for, since it is slow."""
    trackers = dict(PEERS)
    if pyin:
        _pyin_compiled()
        trackers[PYIN] = _pyin
    return {name: _scored(take, tracker) for name, tracker in trackers.items()}


def _scored(take: Scene, tracker: Callable[[Scene], Tracked]) -> PeerScore:
    began = time.process_time()
    times, hz = tracker(take)
    spent = time.process_time() - began
    errors = [_error(times, hz, truth) for truth in take.truths if truth.measurable]
    return PeerScore(errors, take.seconds, spent)


def _error(times: Audio, hz: Audio, truth: Truth) -> float:
    moves = truth.plan.vibrato_cents > 0 and truth.plan.vibrato_after_s == 0.0
    length = 1.0 / truth.vibrato_hz if moves else _TO_S - _FROM_S
    since = times - truth.start_s - _FROM_S
    inside = hz[(since >= 0.0) & (since <= length) & (hz > 0)]
    if not len(inside):
        return float("inf")
    return cents_between(float((np.mean if moves else np.median)(inside)), truth.landing_hz)
