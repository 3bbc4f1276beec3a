"""Cues: short, soft signals that answer a foot, told apart by their rhythm. Pure.

A cue is a row of pulses on a grid of :data:`STEP_S`. Each is a *knock*, without a pitch, or a
*chime*, tuned to an octave of the drone's root so that it never beats against it. No two cues share
a rhythm, so whoever cannot tell the pitches apart loses nothing: where two are a single gap, one
gap is at least three times the other.

Pulses are shorter than a note can be, with silence between them longer than the pulses: the ear
then takes the drone under a cue for the same drone, and a cue in a room for no note. Under the tick
of going *without* there is no drone, and its two knocks may come closer.
"""

import math
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Samples = NDArray[np.float32]

STEP_S = 0.12
PULSE_S = 0.022  # with its fade; at most three of the ear's 20 ms steps, with room to spare
_ATTACK_S = 0.002  # shorter would click
_DECAY_S = 0.005
# Chimes stand in the octave from here up: a small loudspeaker plays it, and the drone's own
# partials there are weak.
_CHIME_FROM_HZ = 1000.0
# Knocks are noise of this band: a wooden sound, where few instruments have their fundamental.
_KNOCK_HZ = (1500.0, 3500.0)
_SCATTER = (1.0 + math.sqrt(5.0)) / 2.0  # times whole squares: spread as if by lot (Weyl 1916)


class Cue(StrEnum):
    """What a cue says."""

    CALL_TAKEN = "call taken"
    AGREES = "the ear agrees"
    WAS_FLAT = "it was flat"
    WAS_IN_TUNE = "it was in tune"
    WAS_SHARP = "it was sharp"
    NOT_MEASURED = "the ear could not measure it"
    NOTHING_THERE = "there is no note to speak of"
    STRUCK_OUT = "the last note is struck out"
    PAUSED = "the log is paused"
    RESUMED = "the log goes on"
    ROUND_BEGUN = "a round begins"
    ROUND_ENDED = "the round is ended"
    ROUND_WON = "enough tries in a row have landed"
    REST = "it is time to rest"
    ENOUGH = "the day's listening is used up"
    WITHOUT = "the drone is on, but faded out"


@dataclass(frozen=True, slots=True)
class Pulse:
    """One sound of a cue: ``step`` on the grid; octaves above the chime's own, or a knock."""

    step: float
    octave: int | None = None


def _chimes(*steps: int, octaves: tuple[int, ...]) -> tuple[Pulse, ...]:
    return tuple(Pulse(step, octave) for step, octave in zip(steps, octaves, strict=True))


def _knocks(*steps: float) -> tuple[Pulse, ...]:
    return tuple(Pulse(step) for step in steps)


PULSES: dict[Cue, tuple[Pulse, ...]] = {
    Cue.CALL_TAKEN: _knocks(0),
    Cue.AGREES: _chimes(0, 1, octaves=(0, 0)),
    Cue.WAS_FLAT: _chimes(0, 1, 3, octaves=(0, 0, -1)),  # the last one late and low
    Cue.WAS_SHARP: _chimes(0, 2, 3, octaves=(-1, 0, 0)),  # early and low, then high
    Cue.WAS_IN_TUNE: _chimes(0, 1, 3, 4, octaves=(0, 0, 0, 0)),  # even pairs
    Cue.NOT_MEASURED: _knocks(0, 3),
    Cue.NOTHING_THERE: _knocks(0, 1, 2),
    Cue.STRUCK_OUT: _knocks(0, 1, 2, 3),
    Cue.PAUSED: _chimes(0, 1, 2, 5, octaves=(0, 0, 0, -1)),
    Cue.RESUMED: _chimes(0, 3, 4, 5, octaves=(-1, 0, 0, 0)),
    Cue.ROUND_BEGUN: _chimes(0, 2, 3, 5, octaves=(0, 0, 0, 0)),
    Cue.ROUND_ENDED: _chimes(0, 2, 4, 5, octaves=(0, 0, 0, 0)),
    Cue.ROUND_WON: _chimes(0, 1, 3, 4, 6, octaves=(-1, 0, -1, 0, 0)),
    Cue.REST: _chimes(0, 1, 3, 6, octaves=(0, 0, 0, -1)),  # slower and slower
    Cue.ENOUGH: _knocks(0, 1, 2, 3, 4, 5, 6),
    # 40 ms apart, a third of the smallest gap of any other cue; two clicks are still heard as one
    # only up to 5 to 10 ms (Litovsky et al., J. Acoust. Soc. Am. 1999).
    Cue.WITHOUT: _knocks(0, 1 / 3),
}


def cue_sound(cue: Cue, root_hz: float, level_dbfs: float, sample_rate_hz: float) -> Samples:
    """Return a cue as samples, shape (n,), full scale ±1; each pulse peaks at ``level_dbfs``.

    ``root_hz`` is the drone's root, to which chimes are tuned.
    """
    pulses = PULSES[cue]
    begins = [round(pulse.step * STEP_S * sample_rate_hz) for pulse in pulses]
    sound = np.zeros(begins[-1] + round(PULSE_S * sample_rate_hz), np.float32)
    for begin, pulse in zip(begins, pulses, strict=True):
        shape = (
            _knock(sample_rate_hz)
            if pulse.octave is None
            else _chime(chime_hz(root_hz) * 2.0**pulse.octave, sample_rate_hz)
        )
        sound[begin : begin + shape.size] += shape
    return sound * np.float32(10.0 ** (level_dbfs / 20.0))


def chime_hz(root_hz: float) -> float:
    """Return the octave of a root in which its chimes stand."""
    return root_hz * 2.0 ** math.ceil(math.log2(_CHIME_FROM_HZ / root_hz))


@lru_cache(maxsize=16)
def _chime(hz: float, sample_rate_hz: float) -> Samples:
    time_s = np.arange(round(PULSE_S * sample_rate_hz)) / sample_rate_hz
    return _pulse(np.sin(2.0 * np.pi * hz * time_s), sample_rate_hz)


@lru_cache(maxsize=2)
def _knock(sample_rate_hz: float) -> Samples:
    """Noise of the knock's band: every frequency as loud as any other, at scattered phases."""
    frames = round(PULSE_S * sample_rate_hz)
    hz = np.fft.rfftfreq(frames, 1.0 / sample_rate_hz)
    phases = 2.0 * np.pi * (_SCATTER * np.arange(hz.size) ** 2 % 1.0)
    inside = (hz >= _KNOCK_HZ[0]) & (hz <= _KNOCK_HZ[1])
    return _pulse(np.fft.irfft(np.where(inside, np.exp(1j * phases), 0.0), frames), sample_rate_hz)


def _pulse(carrier: NDArray[np.float64], sample_rate_hz: float) -> Samples:
    """Struck and damped: a quick rise, an exponential decay, silence at the end; peak 1."""
    time_s = np.arange(carrier.size) / sample_rate_hz
    rise = np.minimum(time_s / _ATTACK_S, 1.0)
    damped = np.exp(-time_s / _DECAY_S) * np.cos(0.5 * np.pi * time_s / PULSE_S) ** 2
    shaped = carrier * rise * damped
    return np.asarray(shaped / np.max(np.abs(shaped)), np.float32)
