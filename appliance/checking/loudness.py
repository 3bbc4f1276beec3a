"""The sound by which a room is calibrated, and how loud a sound is. Pure."""

import numpy as np
from numpy.typing import NDArray

from appliance.checking.quiet import power_db
from appliance.practice.dose import a_weighting_db

Floats = NDArray[np.float64]

CALIBRATION_S = 20.0  # long enough to read a meter on "slow"
FADE_S = 0.5
# The octave round 1 kHz, where the A-weighting does little. A noise and not a tone: a tone has
# places in a room where it nearly vanishes.
BAND_HZ = (707.0, 1414.0)
SEED = 5  # any; the same noise every time
LOWEST_HZ = 10.0
SOFTEST = 1e-7  # of the strongest bin: softer ones add nothing


def calibration_noise(level_dbfs: float, rate_hz: float) -> Floats:
    """The noise, shape (n,), RMS ``level_dbfs`` between its fades; its peak stays below 1."""
    frames = round(CALIBRATION_S * rate_hz)
    hz = np.fft.rfftfreq(frames, 1.0 / rate_hz)
    inside = (hz >= BAND_HZ[0]) & (hz <= BAND_HZ[1])
    phases = np.random.default_rng(SEED).uniform(0.0, 2.0 * np.pi, hz.size)
    noise = np.fft.irfft(np.where(inside, np.exp(1j * phases), 0.0), frames)
    time_s = np.arange(frames) / rate_hz
    edge = np.minimum(time_s, time_s[-1] - time_s) / FADE_S
    faded = np.sin(0.5 * np.pi * np.minimum(edge, 1.0)) ** 2
    sound = noise / np.std(noise) * 10.0 ** (level_dbfs / 20.0) * faded
    return np.asarray(np.clip(sound, -1.0, 1.0))


def steady_part(sound: Floats, rate_hz: float) -> Floats:
    """A sound of ``CALIBRATION_S`` without its first and last two seconds."""
    edge = round(2.0 * rate_hz)
    return sound[edge:-edge]


def weighted_db(sound: Floats, rate_hz: float) -> float:
    """The A-weighted RMS of a sound, shape (n,), dB re full scale."""
    power = np.abs(np.fft.rfft(sound)) ** 2 * 2.0 / len(sound) ** 2
    hz = np.fft.rfftfreq(len(sound), 1.0 / rate_hz)
    heard = (hz >= LOWEST_HZ) & (power > SOFTEST * power.max())
    weights = np.array([10.0 ** (a_weighting_db(one) / 10.0) for one in hz[heard]])
    return power_db(float(np.sum(power[heard] * weights)))
