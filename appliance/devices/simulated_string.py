"""A bowed string: partials through a body, bow noise, slides, corrections and vibrato.

Invented, not sampled. One bow stroke is rendered at a time.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from appliance.devices.simulated_score import PlannedNote

Floats = NDArray[np.float32]

_TABLE = 4096  # points a period: 60 partials read along straight lines stay 60 dB clean
_PARTIALS = 60
_HIGHEST_HZ = 10500.0  # above, a bowed string has little
_CORRECTION_S = 0.15  # a finger rolls
_VIBRATO_AFTER_S, _VIBRATO_GROWS_S = 0.45, 0.2
_JITTER_CENTS, _JITTER_HZ = 1.5, 8.0
_TIMBRE_WANDERS, _TIMBRE_HZ = 0.15, 3.0
_RING_S, RINGS_FOR_S = 0.04, 0.25  # time constant of a string the bow has left, and its end
_BOW_NOISE, _SCRATCH, _SCRATCH_S = 0.02, 0.2, 0.05
_DIP, _DIP_S = 0.35, 0.03  # a legato change lets the bow slip a little
# Resonances over the lowest note, and their strength; in the family of bowed instruments the body
# scales with the range (from memory, roughly).
_RESONANCES = ((1.75, 1.5), (3.4, 2.0), (5.2, 1.2), (9.0, 1.0), (19.0, 0.8))


class BowedString:
    """The instrument: the same for a whole sitting."""

    def __init__(self, lowest_hz: float, sample_rate_hz: float, rng: np.random.Generator) -> None:
        """Build an instrument whose lowest note is ``lowest_hz``."""
        self._rate = sample_rate_hz
        self._resonances = np.array(_RESONANCES)
        self._resonances[:, 0] *= lowest_hz * rng.uniform(0.93, 1.07, len(_RESONANCES))
        self._phases = rng.uniform(0.0, 2.0 * np.pi, _PARTIALS)
        self._noise = self._bow_noise(lowest_hz, rng)

    def stroke(self, notes: Sequence[PlannedNote], rng: np.random.Generator) -> Floats:
        """Return the notes under one bow, from the first one's start until it has rung out.

        RMS about 1 while the bow moves.
        """
        origin_s = notes[0].start_s
        starts = [round((note.start_s - note.travel_s - origin_s) * self._rate) for note in notes]
        frames = round((notes[-1].end_s - origin_s + RINGS_FOR_S) * self._rate)
        spans = list(zip(starts, [*starts[1:], frames], strict=True))
        times = [
            np.arange(*span) / self._rate - (note.start_s - origin_s)
            for note, span in zip(notes, spans, strict=True)
        ]
        pitch_cents = self._pitch(notes, times, rng)
        periods = np.cumsum(np.exp2(pitch_cents / 1200.0)) / self._rate
        tone = self._tone(notes, times, periods, rng)
        bow, string = self._loudness(notes, times, rng)
        noise = np.resize(np.roll(self._noise, rng.integers(self._noise.size)), frames)
        return np.asarray(tone * string + noise * bow, np.float32)

    def _pitch(
        self,
        notes: Sequence[PlannedNote],
        times: list[NDArray[np.float64]],
        rng: np.random.Generator,
    ) -> NDArray[np.float64]:
        """Return the pitch of every frame, in cents over 1 Hz."""
        path: list[NDArray[np.float64]] = []
        for note, t in zip(notes, times, strict=True):
            pitch = 1200.0 * np.log2(note.nominal_hz) + _finger(note, t) + _vibrato(note, t, rng)
            if path:
                before = path[-1][-1]
                pitch = before + _travel(note, t) * (pitch - before)
            path.append(pitch)
        whole = np.concatenate(path)
        return whole + _JITTER_CENTS * slow_noise(rng, whole.size, _JITTER_HZ, self._rate)

    def _tone(
        self,
        notes: Sequence[PlannedNote],
        times: list[NDArray[np.float64]],
        periods: NDArray[np.float64],
        rng: np.random.Generator,
    ) -> NDArray[np.float64]:
        """Read each note's wave along the phase, sliding from wave to wave while it travels."""
        wander = _TIMBRE_WANDERS * slow_noise(rng, periods.size, _TIMBRE_HZ, self._rate)
        tone = np.empty(periods.size)
        begin, before = 0, None
        for note, t in zip(notes, times, strict=True):
            here = slice(begin, begin + t.size)
            waves = self._waves(note.nominal_hz, rng)
            tone[here] = _read(waves, periods[here], wander[here])
            if before is not None:
                moving = slice(begin, begin + int(np.searchsorted(t, 0.0)))
                old = _read(before, periods[moving], wander[moving])
                tone[moving] = old + _travel(note, t[: old.size]) * (tone[moving] - old)
            begin, before = here.stop, waves
        return tone

    def _waves(self, hz: float, rng: np.random.Generator) -> NDArray[np.float64]:
        """Return one period of the note and one of how its timbre wanders, shape (2, table)."""
        partial = np.arange(1, _PARTIALS + 1)
        partial_hz = np.asarray(partial * hz, np.float64)
        audible = partial_hz < min(_HIGHEST_HZ, 0.45 * self._rate)
        gains = audible * self._body(partial_hz) / partial**1.1
        gains /= np.sqrt(0.5 * np.sum(gains**2))
        spectra = np.zeros((2, _TABLE // 2 + 1), np.complex128)
        spectra[0, partial] = gains * np.exp(1j * self._phases)
        spectra[1] = spectra[0]
        spectra[1, partial] *= rng.standard_normal(_PARTIALS)
        return np.fft.irfft(spectra) * _TABLE / 2.0

    def _body(self, hz: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the body's gain: broad resonances over a floor, little below the lowest one."""
        centre, strength = self._resonances.T[:, :, np.newaxis]
        peaks = strength / (1.0 + (4.0 * (hz / centre - centre / hz) / 2.0) ** 2)
        low_end = 1.0 / np.sqrt(1.0 + (0.6 * centre[0] / hz) ** 4)
        return np.asarray(low_end * (0.35 + peaks.sum(axis=0)))

    def _loudness(
        self,
        notes: Sequence[PlannedNote],
        times: list[NDArray[np.float64]],
        rng: np.random.Generator,
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return the level of the bow's noise and of the string, frame by frame."""
        t = np.arange(sum(map(len, times))) / self._rate
        attack_s = rng.uniform(0.03, 0.09)
        bowed_s = notes[-1].end_s - notes[0].start_s
        string = np.clip(t / attack_s, 0.0, 1.0) ** 1.5
        string *= np.exp(-np.maximum(t - bowed_s, 0.0) / _RING_S)
        for note in notes[1:]:
            slips_s = note.start_s - note.travel_s / 2.0 - notes[0].start_s
            string *= 1.0 - _DIP * np.exp(-(((t - slips_s) / _DIP_S) ** 2))
        scratch = _SCRATCH * np.clip(1.0 - t / _SCRATCH_S, 0.0, 1.0) * np.clip(t / 0.01, 0.0, 1.0)
        loudness = 10.0 ** (rng.uniform(-2.0, 2.0) / 20.0)
        return loudness * (scratch + _BOW_NOISE * string), loudness * string

    def _bow_noise(self, lowest_hz: float, rng: np.random.Generator) -> Floats:
        """Return five seconds or more of noise from the lowest note to 6 kHz, RMS 1."""
        frames = 1 << int(np.ceil(np.log2(5.0 * self._rate)))
        hz = np.fft.rfftfreq(frames, 1.0 / self._rate)
        spectrum = np.fft.rfft(rng.standard_normal(frames))
        noise = np.fft.irfft(spectrum / (1.0 + (hz / 6000.0) ** 4) * (hz > lowest_hz))
        return np.asarray(noise / noise.std(), np.float32)


def slow_noise(
    rng: np.random.Generator, frames: int, bandwidth_hz: float, sample_rate_hz: float
) -> NDArray[np.float64]:
    """Return smooth noise of variance about 1: lines between random points, shape (frames,)."""
    at = np.arange(frames) * (2.0 * bandwidth_hz / sample_rate_hz)
    points = rng.standard_normal(int(at[-1]) + 2)
    # Lines between unit-variance points have variance 2/3 on average.
    return np.asarray(np.interp(at, np.arange(points.size), points) * np.sqrt(1.5))


def _finger(note: PlannedNote, t: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return where the finger is, cents from the nominal pitch, ``t`` seconds into the note."""
    if note.corrected_after_s is None:
        return np.full(t.size, note.landing_cents)
    rolled = _smooth((t - note.corrected_after_s) / _CORRECTION_S)
    return note.landing_cents + rolled * (note.settled_cents - note.landing_cents)


def _vibrato(
    note: PlannedNote, t: NDArray[np.float64], rng: np.random.Generator
) -> NDArray[np.float64]:
    if note.vibrato is None:
        return np.zeros(t.size)
    since_s = t - max(_VIBRATO_AFTER_S, (note.corrected_after_s or 0.0) + _CORRECTION_S)
    extent = note.vibrato.extent_cents * np.clip(since_s / _VIBRATO_GROWS_S, 0.0, 1.0)
    turn = rng.uniform(0.0, 2.0 * np.pi)
    return np.asarray(extent * np.sin(2.0 * np.pi * note.vibrato.rate_hz * since_s + turn))


def _travel(note: PlannedNote, t: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return how far the hand has come, 0 to 1; it arrives at ``t`` = 0."""
    return _smooth(1.0 + t / note.travel_s)


def _smooth(x: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * np.clip(x, 0.0, 1.0)))


def _read(
    waves: NDArray[np.float64], periods: NDArray[np.float64], wander: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Read a period's table along the phase (in periods), on straight lines between points."""
    position = (periods % 1.0) * _TABLE
    index = position.astype(np.int64)
    between = position - index
    index %= _TABLE
    wave, change = waves[:, index] + between * (waves[:, (index + 1) % _TABLE] - waves[:, index])
    return np.asarray(wave + wander * change)
