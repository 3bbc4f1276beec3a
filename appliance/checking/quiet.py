"""What a microphone gives while nothing is played, and whether it is ever cut off. Pure.

All levels are RMS, dB re full scale (a sine that just reaches ±1 has -3 dB).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

MAINS_HZ = (50.0, 60.0)
MAINS_OFF = 0.01  # share by which a mains frequency may be off: far more than a grid ever is
MOST_HARMONICS = 12
NEAR_HZ = 12.0  # around a line, where the noise it must stand out of is looked for
STANDS_OUT_DB = 15.0  # over the median of its neighbours: noise reaches 12 dB in one bin of 100
CUT_RUN = 3  # so many samples in a row at the very peak: no sound does that by itself
CUT_WITHIN = 1e-4  # of the peak: the same code of a 14-bit converter
LOUD_ENOUGH = 0.1  # a softer peak may be flat because the sound is coarse
LEAST_DB = -200.0
# Four terms, side lobes below -92 dB (Harris, Proc. IEEE 66, 1978).
BLACKMAN_HARRIS = (0.35875, -0.48829, 0.14128, -0.01168)


@dataclass(frozen=True, slots=True)
class Hum:
    """A mains hum: ``hz`` 50 or 60 (0 where there is none), its RMS, how many of its multiples."""

    hz: float
    level_db: float
    lines: int


def rms_db(sound: Floats) -> float:
    """RMS of a sound of any shape, dB re full scale; ``LEAST_DB`` for silence."""
    return power_db(float(np.mean(np.square(sound)))) if sound.size else LEAST_DB


def power_db(power: float) -> float:
    """A mean square as dB re full scale."""
    return float(max(10.0 * np.log10(max(power, 1e-30)), LEAST_DB))


def hum_and_noise(quiet: Floats, rate_hz: float) -> tuple[Hum, float]:
    """The hum in a stretch of quiet, shape (n,) of a second or more, and the noise without it."""
    spectrum = _powers(quiet)
    hz = np.arange(len(spectrum)) * rate_hz / len(quiet)
    found = max((_hum(spectrum, hz, mains) for mains in MAINS_HZ), key=lambda one: one[0].level_db)
    hum, inside = found
    return hum, power_db(float(spectrum[~inside].sum()))


def _powers(sound: Floats) -> Floats:
    """Power of each bin of a windowed spectrum; they add up to the mean square.

    The window's side lobes lie 92 dB down, so a hum between two bins leaks into no noise.
    """
    turn = 2.0 * np.pi * np.arange(len(sound)) / len(sound)
    taper = sum(share * np.cos(k * turn) for k, share in enumerate(BLACKMAN_HARRIS))
    spectrum = np.abs(np.fft.rfft((sound - sound.mean()) * taper)) ** 2
    spectrum[1:] *= 2.0
    return np.asarray(spectrum / (len(sound) * np.sum(taper**2)))


def _hum(spectrum: Floats, hz: Floats, mains_hz: float) -> tuple[Hum, NDArray[np.bool_]]:
    """The hum at multiples of one mains frequency, and which bins it fills."""
    inside = np.zeros(len(spectrum), dtype=bool)
    lines = 0
    for order in range(1, MOST_HARMONICS + 1):
        line = _line(spectrum, hz, order * mains_hz, order)
        if line is not None:
            inside |= line
            lines += 1
    if not lines:
        return Hum(0.0, LEAST_DB, 0), inside
    return Hum(mains_hz, power_db(float(spectrum[inside].sum())), lines), inside


def _line(spectrum: Floats, hz: Floats, near_hz: float, order: int) -> NDArray[np.bool_] | None:
    """The bins of a steady line near a frequency, if one stands out of what is around it."""
    width_hz = 4.0 * hz[1]  # half the window's main lobe
    away = np.abs(hz - near_hz)
    reach = away <= max(MAINS_OFF * 50.0 * np.sqrt(order), width_hz)
    around = (away <= NEAR_HZ) & ~reach & (hz > width_hz)
    top = int(np.argmax(np.where(reach, spectrum, 0.0)))
    if spectrum[top] <= 10.0 ** (STANDS_OUT_DB / 10.0) * max(np.median(spectrum[around]), 1e-20):
        return None
    return np.asarray(np.abs(hz - hz[top]) <= width_hz)


def is_cut(sound: Floats) -> bool:
    """Whether the sound's top or bottom is cut off flat anywhere, wherever the limit lies."""
    return _flat(sound) or _flat(-sound)


def _flat(sound: Floats) -> bool:
    peak = float(sound.max(initial=0.0))
    if peak < LOUD_ENOUGH:
        return False
    at_top = sound >= peak * (1.0 - CUT_WITHIN)
    runs = np.convolve(at_top, np.ones(CUT_RUN), "valid")
    return bool(np.any(runs >= CUT_RUN))
