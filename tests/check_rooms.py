"""Rooms for the room check: what a microphone records of its program, with faults put in.

Everything is made by scipy, an independent route to the numbers that the check has to find.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import fftconvolve, resample_poly

from appliance.checking.program import Program

Floats = NDArray[np.float64]

FINER = 8  # samples are looked up between samples of a signal so much finer


@dataclass(frozen=True)
class CheckedRoom:
    """What lies between the outputs and the microphone."""

    rt60_s: float = 0.4
    direct_db: float = 3.0  # direct sound over reverberation
    delay_s: float = 0.03
    gain_db: float = -12.0  # of the whole path
    drift_ppm: float = 0.0  # the microphone's clock over the loudspeaker's
    noise_db: float = -75.0
    hum_hz: float = 0.0
    hum_db: float = -45.0
    clip_at: float = 1.0
    sides: tuple[float, float] = (1.0, 1.0)  # how loud the left and right output are heard
    distortion: float = 0.005
    seed: int = 1


def response_of(room: CheckedRoom, rate_hz: float, rng: np.random.Generator) -> Floats:
    """Direct sound, and 5 ms later noise that falls by 60 dB in ``rt60_s``; unit energy."""
    begins = round(room.delay_s * rate_hz)
    time_s = np.arange(round(1.3 * room.rt60_s * rate_hz)) / rate_hz
    tail = rng.standard_normal(time_s.size) * 10.0 ** (-3.0 * time_s / room.rt60_s)
    tail[: round(0.005 * rate_hz)] = 0.0
    tail /= np.linalg.norm(tail)
    tail[0] = 10.0 ** (room.direct_db / 20.0)
    whole = np.concatenate([np.zeros(begins), tail / np.linalg.norm(tail)])
    return np.asarray(whole * 10.0 ** (room.gain_db / 20.0))


def drifted(sound: Floats, ppm: float) -> Floats:
    """The sound as a clock samples it that is faster by so many parts in a million."""
    if not ppm:
        return sound
    fine = resample_poly(sound, FINER, 1)
    places = np.arange(len(sound)) * FINER / (1.0 + ppm * 1e-6)
    return np.interp(places, np.arange(len(fine)), fine)


def recorded(program: Program, room: CheckedRoom) -> Floats:
    """What the microphone records, shape (n,)."""
    rng = np.random.default_rng(room.seed)
    rate_hz = program.rate_hz
    sent = program.samples.astype(np.float64) @ np.array(room.sides)
    sent = sent + room.distortion * sent**2 / max(np.abs(sent).max(), 1e-9)
    sound = fftconvolve(sent, response_of(room, rate_hz, rng))[: len(sent)]
    sound = drifted(sound, room.drift_ppm)
    time_s = np.arange(len(sound)) / rate_hz
    sound += rng.standard_normal(len(sound)) * 10.0 ** (room.noise_db / 20.0)
    if room.hum_hz:
        hum = sum(np.sin(2 * np.pi * k * room.hum_hz * time_s + k) / k for k in (1, 2, 3, 5))
        sound += hum * 10.0 ** (room.hum_db / 20.0) / np.std(hum)
    return np.asarray(np.clip(sound, -room.clip_at, room.clip_at))
