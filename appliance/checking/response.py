"""How a room answers a sweep: its impulse response, when it begins, how it dies away. Pure."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

REGULAR = 1e-3  # of the sweep's strongest power: outside its band nothing is asked for
FIRST_SHARE = 0.3  # of the peak: the direct sound, not the filter's ripple before it
HEARD_DB = 20.0  # peak of a response over its own end: chance alone reaches 13 dB in 50000 samples
BEFORE_S, AROUND_S = 0.02, 0.08  # of a response, around its peak, for its exact place
FINER = 16  # places between two samples
# Octaves round 500 Hz and 1 kHz, averaged to one figure (ISO 3382-1's mid-frequency mean).
OCTAVES_HZ = (500.0, 1000.0)
FIT_FROM_DB = -5.0
FIT_TO_DB = (-35.0, -25.0, -15.0)
NEPERS = 6.0 * np.log(10.0)  # of power, in 60 dB
OVER_NOISE_DB = 10.0  # the fit ends so far above the noise (ISO 3382-2)
SMOOTH_S = 0.01


@dataclass(frozen=True, slots=True)
class Response:
    """An impulse response, shape (n,), and what is read from it.

    ``begins`` is the frame of its first sound, ``heard`` whether there is any at all.
    """

    samples: Floats
    begins: int
    heard: bool


def response(recorded: Floats, sweep: Floats) -> Response:
    """The room's answer; ``recorded``, shape (n,), begins as the sweep began to be sent."""
    size = 1 << (len(recorded) + len(sweep) - 1).bit_length()
    sent = np.fft.rfft(sweep, size)
    power = np.abs(sent) ** 2
    answer = np.fft.rfft(recorded, size) * np.conj(sent) / (power + REGULAR * power.max())
    samples = np.fft.irfft(answer, size)[: len(recorded) - len(sweep)]
    size_of = np.abs(samples)
    peak = float(size_of.max())
    ends = np.sqrt(np.mean(samples[-len(samples) // 5 :] ** 2))
    begins = int(np.argmax(size_of >= FIRST_SHARE * peak))
    heard = peak > 0.0 and peak > 10.0 ** (HEARD_DB / 20.0) * ends
    return Response(samples, begins, bool(heard))


def moved_frames(first: Response, later: Response, rate_hz: float) -> float:
    """How many frames later (a fraction, negative: earlier) the second response begins."""
    start = max(first.begins - round(BEFORE_S * rate_hz), 0)
    stop = first.begins + round(AROUND_S * rate_hz)
    one, other = first.samples[start:stop], later.samples[start:stop]
    size = 2 << len(one).bit_length()
    cross = np.fft.rfft(other, size) * np.conj(np.fft.rfft(one, size))
    alike = np.fft.irfft(cross, size * FINER)
    top = int(np.argmax(alike))
    left, middle, right = alike[top - 1], alike[top], alike[(top + 1) % len(alike)]
    place = top + 0.5 * (left - right) / (left - 2.0 * middle + right)
    if place > len(alike) / 2:
        place -= len(alike)
    return float(place / FINER)


def reverberation_s(found: Response, silence: Response, rate_hz: float) -> float | None:
    """Reverberation time (60 dB), the mean of two octaves; ``None``: it drowns in the noise.

    ``silence`` is what a stretch without a sweep answers, so it says how loud the noise is in a
    response. Backward integration (Schroeder, J. Acoust. Soc. Am. 37, 1965), with what lies beyond
    the end added as if it fell on evenly (ISO 3382-1), and a straight line fitted through -5 to
    -35 dB (T30) or -25 dB (T20) as in ISO 3382-2, through -15 dB where no more is to be had.
    """
    noise = Response(silence.samples, found.begins, heard=False)
    times = [
        _decay_s(_octave(found, hz, rate_hz), _octave(noise, hz, rate_hz), rate_hz)
        for hz in OCTAVES_HZ
    ]
    known = [time for time in times if time is not None]
    return float(np.mean(known)) if known else None


def _octave(found: Response, centre_hz: float, rate_hz: float) -> Floats:
    """Power of the response from its beginning on, in one octave, by a filter without delay."""
    tail = found.samples[found.begins :]
    size = 2 * len(tail)
    octaves = np.abs(np.log2(np.maximum(np.fft.rfftfreq(size, 1.0 / rate_hz), 1.0) / centre_hz))
    # Flat inside half an octave, gone at three quarters: no ringing longer than a few ms.
    shape = 0.5 + 0.5 * np.cos(np.pi * np.clip((octaves - 0.25) / 0.5, 0.0, 1.0))
    return np.asarray(np.fft.irfft(np.fft.rfft(tail, size) * shape, size)[: len(tail)] ** 2)


def _decay_s(power: Floats, noise_power: Floats, rate_hz: float) -> float | None:
    """60 dB of one octave."""
    noise = float(np.mean(noise_power)) + 1e-30
    width = round(SMOOTH_S * rate_hz)
    smooth = np.convolve(power, np.ones(width) / width, "same")
    over = np.flatnonzero(smooth[: len(smooth) - width] > 2.0 * noise)
    reach_db = 10.0 * np.log10(smooth.max() / noise)
    to_db = next((to for to in FIT_TO_DB if reach_db >= OVER_NOISE_DB - to), None)
    if to_db is None or over.size == 0:
        return None
    ends = int(over[-1]) + 1  # beyond it is noise
    left = np.cumsum((power[:ends] - noise)[::-1])[::-1]
    time_s, beyond = None, 0.0
    for _ in range(3):
        time_s = _line_s(left + beyond, to_db, rate_hz)
        if time_s is None:
            return None
        beyond = max(float(smooth[ends - 1]) - noise, 0.0) * time_s * rate_hz / NEPERS
    return time_s


def _line_s(left: Floats, to_db: float, rate_hz: float) -> float | None:
    """60 dB along a straight line fitted through the decay between two levels."""
    level = 10.0 * np.log10(np.maximum(left / left[0], 1e-12))
    within = np.flatnonzero((level <= FIT_FROM_DB) & (level >= to_db))
    if within.size < 2:
        return None
    slope = np.polyfit(within / rate_hz, level[within], 1)[0]
    return float(-60.0 / slope) if slope < 0.0 else None
