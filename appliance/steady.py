"""Is this sound a drone? A steady harmonic tone comes back to itself exactly, a little later.

Pure. Stretches of ``STRETCH_S`` are looked at one by one. A tone made of harmonics of one period
equals itself shifted by a multiple of that period; speech, music, noise, a moving pitch, or an
instrument under a living hand do not, however short or long the shift. Loudness may change.
"""

from collections import Counter
from collections.abc import Iterator
from enum import Enum, auto

import numpy as np
from numpy.typing import NDArray

_PIECE_S = 0.1  # what is compared with itself
# The longest period of a drone: C1 at A4 = 400 Hz, a quarter tone low, under a pure fifth (so half
# the root) is 14.4 Hz. One multiple of every shorter period lies in a range of shifts that wide.
_LONGEST_PERIOD_S = 0.07
_SHIFT_S = 0.25  # tells a held tone from speech and bowing, and still fits a one-second preview
_LATER_SHIFT_S = 2.0  # tells a pitch that creeps by 2 cents a second, where the tone lasts so long
STRETCH_S = _SHIFT_S + _LONGEST_PERIOD_S + _PIECE_S
HOP_S = 0.25

_SILENT_RMS = 10.0 ** (-72.0 / 20.0)  # below the quietest drone (-60 dBFS), above idle converters
_LEVEL_BLOCK_S = 0.01  # shorter than the silence between two fades of 50 ms
_GAP = 0.05  # a block 26 dB below the loudest: a start, an end, or silence between notes
_GAP_NEAR_S = 0.2  # a stretch that begins inside a fade has its silence just before
# Share of the energy that may differ: -30 dB leaves room for 16-bit steps at -60 dBFS and dither.
_DIFFERENCE = 1e-3
_MOST_OTHER = 0.2  # share of unsteady stretches: note changes without a gap
_LEAST_STEADY = 0.3  # share of steady stretches: previews of one second, with fades between


class Kind(Enum):
    """What a stretch of sound is."""

    SILENT = auto()
    STEADY = auto()
    CHANGING = auto()  # beside a silence, as every start, end and change of the drone is
    OTHER = auto()  # it sounds throughout, and does not come back to itself


def stretches(
    audio: NDArray[np.floating], sample_rate_hz: float, hop_s: float = HOP_S
) -> Iterator[Kind]:
    """Judge ``audio``, shape (n,), every ``hop_s``; nothing comes from less than one stretch."""
    length, hop = round(STRETCH_S * sample_rate_hz), round(hop_s * sample_rate_hz)
    near = round(_GAP_NEAR_S * sample_rate_hz)
    for start in range(0, len(audio) - length + 1, hop):
        kind = _kind(audio[start : start + length], sample_rate_hz, _SHIFT_S)
        around = audio[max(start - near, 0) : start + length + near]
        if kind is Kind.OTHER and _has_gap(around, sample_rate_hz):
            kind = Kind.CHANGING
        elif kind is Kind.STEADY and _creeps(audio[start:], sample_rate_hz):
            kind = Kind.OTHER
        yield kind


def _creeps(audio: NDArray[np.floating], sample_rate_hz: float) -> bool:
    """Tell a pitch that moves slowly, from one that holds or jumps to another note."""
    length = round((STRETCH_S + _LATER_SHIFT_S - _SHIFT_S) * sample_rate_hz)
    longer = audio[:length]
    if len(longer) < length or _kind(longer, sample_rate_hz, _LATER_SHIFT_S) is Kind.STEADY:
        return False
    stretch, hop = round(STRETCH_S * sample_rate_hz), round(HOP_S * sample_rate_hz)
    return all(
        _kind(longer[start : start + stretch], sample_rate_hz, _SHIFT_S) is Kind.STEADY
        for start in range(hop, length - stretch, hop)
    )


def _kind(stretch: NDArray[np.floating], sample_rate_hz: float, shift_s: float) -> Kind:
    """Compare the beginning of one stretch with what comes ``shift_s`` later."""
    sound = stretch.astype(np.float64) - np.mean(stretch)
    if np.sqrt(np.mean(sound**2)) < _SILENT_RMS:
        return Kind.SILENT
    size, shift = round(_PIECE_S * sample_rate_hz), round(shift_s * sample_rate_hz)
    same = _difference(sound[:size], sound[shift:]) < _DIFFERENCE
    return Kind.STEADY if same else Kind.OTHER


def is_drone_or_silence(kinds: Counter[Kind]) -> bool:
    """Tell from counted stretches whether a whole channel is a drone (or nothing at all)."""
    steady, other = kinds[Kind.STEADY], kinds[Kind.OTHER]
    sounding = steady + other + kinds[Kind.CHANGING]
    if sounding == 0:
        return True
    return other <= _MOST_OTHER * (steady + other) and steady >= _LEAST_STEADY * sounding


def _has_gap(sound: NDArray[np.floating], sample_rate_hz: float) -> bool:
    block = round(_LEVEL_BLOCK_S * sample_rate_hz)
    blocks = sound[: len(sound) // block * block].reshape(-1, block)
    level = np.sqrt(np.mean(blocks**2, axis=1))
    return bool(level.min() < _GAP * level.max())


def _difference(piece: NDArray[np.float64], later: NDArray[np.float64]) -> float:
    """Share of energy by which ``piece`` differs from its best match in ``later``."""
    size = len(piece)
    best = _best_start(piece, later)
    window = np.hanning(size)
    a = np.fft.rfft(window * piece)
    b = np.fft.rfft(window * later[best : best + size])
    energy = np.sqrt(np.sum(np.abs(a) ** 2) * np.sum(np.abs(b) ** 2))
    return float(1.0 - (_aligned(a * np.conj(b)) / energy) ** 2) if energy > 0 else 1.0


def _best_start(piece: NDArray[np.float64], later: NDArray[np.float64]) -> int:
    """Frame at which ``later`` correlates best with ``piece``."""
    n = 1 << (len(later) - 1).bit_length()
    product = np.fft.irfft(np.fft.rfft(later, n) * np.conj(np.fft.rfft(piece, n)), n)
    starts = len(later) - len(piece) + 1
    energy = np.cumsum(np.concatenate([[0.0], later**2]))
    energy = energy[len(piece) :] - energy[: -len(piece)]
    return int(np.argmax(product[:starts] / np.sqrt(energy + 1e-12)))


def _aligned(cross: NDArray[np.complex128]) -> float:
    """Largest correlation within one frame's shift: the period is rarely whole frames."""
    turns = np.pi * np.arange(len(cross)) / (len(cross) - 1)  # radians a frame at each bin
    shift = 0.0
    for _ in range(4):  # Newton's steps towards the maximum of sum Re(C e^(i w shift))
        turned = cross * np.exp(1j * turns * shift)
        slope, bend = -np.sum(turns * turned.imag), -np.sum(turns**2 * turned.real)
        if bend >= 0.0:
            break
        shift = float(np.clip(shift - slope / bend, -1.0, 1.0))
    return float(np.sum((cross * np.exp(1j * turns * shift)).real))
