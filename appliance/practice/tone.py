"""What the drone is made of: its partials, and the period they make together. Pure.

All partials are harmonics of one *period*: of the root, or of half the root when a pure fifth
(3:2, so 3 periods to the root's 2) is added. The fifth is therefore exact by construction.
"""

import math
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from appliance.settings import TIMBRES
from appliance.tuning import note_hz
from appliance.vocabulary import SettingsError

LOWEST_MIDI, HIGHEST_MIDI = 24, 96  # C1 and C7
# With A4 from 400 to 480 Hz, and a quarter tone for strings kept at their own pitch.
_LOWEST_HZ, _HIGHEST_HZ = note_hz(LOWEST_MIDI - 0.5, 400.0), note_hz(HIGHEST_MIDI + 0.5, 480.0)

# Harmonic of the period on which the root stands, and on which the added note stands.
_HARMONICS: dict[str, tuple[int, int | None]] = {
    "nothing": (1, None),
    "octave": (1, 2),
    "fifth": (2, 3),
}

# Twenty-four partials carry C1 well above what a small loudspeaker needs, and keep hearing, which
# has to fit every one of them, cheap. With an added note: 20 (octave) or 23 (fifth) in all.
MOST_PARTIALS = 24
_ROOT_PARTIALS, _ADDED_PARTIALS = 16, 12
_ADDED_GAIN = 0.7  # the added note stays behind the root (-3 dB)

# "clear" is "reed" with gaps: 1 to 6 beat against a player's unison, octave, fifth and major third
# and stay; above, one partial in four is enough to carry C1 on a small loudspeaker. 7, 9, 10, 11,
# 13 … are left to a player in unison, 10, 14, 18 … (their 5, 7, 9 …) to one at the octave.
_BEATING_PARTIALS, _KEPT_ABOVE = 6, 4
_GAPS_FROM_HZ = 300.0  # below, a small loudspeaker has too little left of the lowest roots

LOUDSPEAKER_FROM_HZ = 150.0  # a small loudspeaker plays little below
_HARSH_FROM_HZ = 4000.0  # above the notes of nearly every instrument: there a drone only hisses
_HIGHEST_SHARE_OF_RATE = 0.45  # leaves room for the converter's filter below half the rate
_PEAK = 0.99  # of full scale, whatever level is asked for

# A straight line between entries errs by (2 pi h / size)**2 / 8 of partial h: -104 dB at h = 36.
TABLE_BITS = 15


@dataclass(frozen=True, slots=True)
class Partial:
    """One sine of the drone; ``amplitude`` is its peak, full scale 1."""

    hz: float
    amplitude: float


@dataclass(frozen=True)
class Tone:
    """All that fixes the drone's sound while it sounds; ``level_dbfs`` is RMS.

    Raises ``SettingsError`` for a root outside C1 to C7, an unknown timbre or added note.
    """

    root_hz: float
    timbre: str
    added: str
    level_dbfs: float
    sample_rate_hz: float

    def __post_init__(self) -> None:
        """Refuse what cannot be sounded."""
        if not _LOWEST_HZ <= self.root_hz <= _HIGHEST_HZ:
            raise SettingsError(
                f"The drone cannot sound {self.root_hz:g} Hz; choose a note from C1 to C7."
            )
        if self.timbre not in TIMBRES:
            raise SettingsError(f"No timbre {self.timbre!r}; choose one of {', '.join(TIMBRES)}.")
        if self.added not in _HARMONICS:
            raise SettingsError(
                f"Nothing called {self.added!r} can be added; choose one of "
                f"{', '.join(_HARMONICS)}."
            )

    @property
    def period_hz(self) -> float:
        """How often the whole sound repeats: the root, or half of it under a fifth."""
        return self.root_hz / _HARMONICS[self.added][0]

    @property
    def partials(self) -> tuple[Partial, ...]:
        """Every sine of the tone, rising; the first is always the root's own."""
        harmonics, amplitudes = self._spectrum()
        return tuple(
            Partial(float(h) * self.period_hz, float(a))
            for h, a in zip(harmonics, amplitudes, strict=True)
        )

    @cached_property
    def period(self) -> NDArray[np.float64]:
        """One period, shape (2**TABLE_BITS + 1,), its first sample repeated at the end."""
        harmonics, amplitudes = self._spectrum()
        return _period(tuple(harmonics.tolist()), tuple(amplitudes.tolist()))

    def _spectrum(self) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
        """Harmonics of the period that sound, and the amplitude of each at the level asked for."""
        root, added = _HARMONICS[self.added]
        strengths = np.zeros(1 + 3 * _ROOT_PARTIALS)
        self._add(strengths, root, MOST_PARTIALS if added is None else _ROOT_PARTIALS, 1.0)
        if added is not None:
            self._add(strengths, added, _ADDED_PARTIALS, _ADDED_GAIN)
        harmonics = np.flatnonzero(strengths)
        amplitudes = strengths[harmonics]
        rms = math.sqrt(float(np.sum(amplitudes**2)) / 2.0)
        return harmonics, amplitudes * 10.0 ** (self.level_dbfs / 20.0) / rms

    def _add(self, strengths: NDArray[np.float64], on: int, count: int, gain: float) -> None:
        """Add the partials of a note that stands on harmonic ``on`` of the period."""
        numbers = np.arange(1, count + 1)
        hz = np.asarray(numbers * on * self.period_hz, dtype=np.float64)
        heard = hz <= _HIGHEST_SHARE_OF_RATE * self.sample_rate_hz
        tilt = np.minimum(hz / LOUDSPEAKER_FROM_HZ, 1.0) * np.minimum(_HARSH_FROM_HZ / hz, 1.0)
        strengths[numbers[heard] * on] += (gain * _rolloff(self.timbre, numbers, hz) * tilt)[heard]


def _rolloff(
    timbre: str, numbers: NDArray[np.int64], hz: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Relative amplitude of partials 1, 2, …: our own choice, zero only in the gaps of "clear"."""
    exponent = {"warm": -1.0, "reed": -0.7, "clear": -0.7, "bright": -0.5}[timbre]
    even = 0.5 if timbre in ("reed", "clear") else 1.0  # odd partials lead in a reed
    high = (numbers > _BEATING_PARTIALS) & (hz > _GAPS_FROM_HZ)
    gaps = (timbre == "clear") & high & (numbers % _KEPT_ABOVE != 0)
    strengths = np.where(numbers % 2 == 0, even, 1.0) * np.power(numbers, exponent, dtype=float)
    return np.where(gaps, 0.0, strengths)


@lru_cache(maxsize=8)
def _period(harmonics: tuple[int, ...], amplitudes: tuple[float, ...]) -> NDArray[np.float64]:
    """Sum the partials over one period, lowered as a whole if its peak would pass ``_PEAK``."""
    size = 2**TABLE_BITS
    strengths = np.zeros(size // 2 + 1)
    strengths[list(harmonics)] = size / 2 * np.array(amplitudes)
    candidates = [np.fft.irfft(strengths * np.exp(1j * p), size) for p in _flat_phases(strengths)]
    period = min(candidates, key=_peak)
    period *= min(1.0, _PEAK / _peak(period))
    closed = np.append(period, period[0])
    closed.setflags(write=False)
    return closed


def _peak(period: NDArray[np.float64]) -> float:
    return float(np.max(np.abs(period)))


def _flat_phases(strengths: NDArray[np.float64]) -> tuple[NDArray[np.float64], ...]:
    """Phases that keep the peak low for a given RMS: two choices, each (harmonics,) in radians.

    Newman's phases, pi * (n - 1)**2 / N for the n-th of N (Boyd, Multitone signals with low crest
    factor, IEEE Trans. Circuits Syst. 1986; from memory), counted once over the partials that sound
    and once over all harmonics: where there are gaps now the one is better, now the other. The
    better is at most 2.71 times the RMS here, so the loudest level that settings allow needs no
    lowering.
    """
    sounding = np.cumsum(strengths > 0.0) - 1.0
    harmonic = np.arange(len(strengths), dtype=np.float64)
    highest = np.flatnonzero(strengths)[-1]
    return np.pi * sounding**2 / (sounding[-1] + 1.0), np.pi * harmonic**2 / highest
