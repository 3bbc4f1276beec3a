"""Candidate pitches, a quarter of a semitone or less apart, and how far each stands out.

A harmonic sum over a short-time spectrum: the partials of a pitch count for it, what lies halfway
between them against it, since an octave too high would have its partials there as well.
"""

import numpy as np
from numpy.typing import NDArray

from appliance.tuning import CENTS_PER_OCTAVE

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]

HIGHEST_PARTIAL_HZ = 5000.0  # above it bowed and blown tones are mostly noise
PARTIALS = 12
TILT = -0.3  # a little more weight for low partials, which are always there
STEP_CENTS = 15.0  # a third of what the refinement can pull in
BETWEEN_WEIGHT = 0.6  # of what lies halfway between partials: it tells an octave too high
SUB_ORDERS = (2, 3, 4, 5)  # a low tone with one strong partial may look like that partial alone


class PitchGrid:
    """Tables for the pitches between two frequencies.

    Parameters
    ----------
    low_hz, high_hz : the range
    bin_hz : distance of two bins of the spectra

    Attributes
    ----------
    hz : the candidate pitches, shape (pitches,)
    """

    def __init__(self, low_hz: float, high_hz: float, bin_hz: float) -> None:
        octaves = np.log2(high_hz / low_hz)
        steps = np.arange(int(octaves * CENTS_PER_OCTAVE / STEP_CENTS) + 1)
        self.hz = low_hz * 2 ** (steps * STEP_CENTS / CENTS_PER_OCTAVE)
        order = np.arange(1, PARTIALS + 1)
        inside = self.hz[:, None] * order < HIGHEST_PARTIAL_HZ
        count = np.maximum(inside.sum(1, keepdims=True), 1)
        weight = np.where(inside, order**TILT / np.sqrt(count), 0.0)
        weights = np.concatenate([weight, -BETWEEN_WEIGHT * weight], axis=1)
        at_hz = self.hz[:, None] * np.concatenate([order, order - 0.5])
        self._weights = weights.astype(np.float32)
        self._bins = np.rint(np.where(weights != 0, at_hz, 0.0) / bin_hz).astype(np.intp)
        self._sub_steps = np.rint(np.log2(SUB_ORDERS) * CENTS_PER_OCTAVE / STEP_CENTS).astype(int)

    def stand_out(self, magnitude: Floats | Floats32) -> Floats32:
        """How far each pitch stands out of spectra of shape (n, bins).

        Roots of amplitude, shape (pitches, n).
        """
        root = np.ascontiguousarray(np.sqrt(np.maximum(magnitude, 0)).T)
        bins = root.take(self._bins, axis=0)
        return np.asarray(np.einsum("gkh,gk->gh", bins, self._weights), np.float32)

    def likeliest(self, stands: Floats32) -> Floats:
        """The pitch that stands out most, then the best of those whose second to fifth partial that
        is; Hz, NaN where nothing stands out. Shape (2 · n,).
        """
        columns = np.arange(stands.shape[1])
        best = stands.argmax(0)
        subs = best - self._sub_steps[:, None]
        sub_stands = np.where(subs >= 0, stands[np.maximum(subs, 0), columns], 0.0)
        which = sub_stands.argmax(0)
        chosen = np.concatenate([best, np.maximum(subs[which, columns], 0)])
        found = np.concatenate([stands[best, columns], sub_stands[which, columns]]) > 0
        return np.where(found, self.hz[chosen], np.nan)
