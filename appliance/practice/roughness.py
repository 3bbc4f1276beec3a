"""How rough two tones are together: one formula, and the tones it is asked about. Pure.

Plomp & Levelt (Tonal consonance and critical bandwidth, J. Acoust. Soc. Am. 38, 1965) measured how
rough two sines sound by their distance; Sethares (Local consonance and the relationship between
timbre and scale, J. Acoust. Soc. Am. 94, 1993) put a curve through it and summed it over pairs of
partials. Two sines of f1 < f2 (Hz) and amplitudes a1, a2 give

    5 · min(a1, a2) · (e^(−3.51 s (f2 − f1)) − e^(−5.75 s (f2 − f1)))
    s = 0.24 / (0.0207 f1 + 18.96)

where 3.51 and 5.75 are the curve's two rates, 5 its height, 0.24 the place of its maximum as a
share of the critical bandwidth, and 0.0207 f + 18.96 that bandwidth. Some prints have 3.5 for 3.51.

A tone is six harmonic partials with amplitude 0.88^(k−1), the example of that paper: a model of a
bowed or blown note and of the drone alike, whatever the timbre, so that the values can be compared
with printed ones.
"""

import numpy as np
from numpy.typing import NDArray

PARTIALS = 6
ROLLOFF = 0.88

_Floats = NDArray[np.float64]


def strength(partial: int) -> float:
    """Return the amplitude of the partial of that number, the first being 1."""
    return ROLLOFF ** (partial - 1)


def roughness(first_hz: float | _Floats, second_hz: float | _Floats) -> _Floats:
    """Return how rough two tones are together, in Sethares' units, each tone's own part included.

    Fundamentals in Hz, of shapes that broadcast; the result has the broadcast shape.
    """
    first, second = np.broadcast_arrays(np.float64(first_hz), np.float64(second_hz))
    numbers = np.arange(1, PARTIALS + 1)
    hz = np.concatenate([first[..., None] * numbers, second[..., None] * numbers], axis=-1)
    amplitudes = np.tile(ROLLOFF ** (numbers - 1.0), 2)
    one, other = np.triu_indices(2 * PARTIALS, 1)  # every pair once
    low, high = (edge(hz[..., one], hz[..., other]) for edge in (np.minimum, np.maximum))
    reach = 0.24 / (0.0207 * low + 18.96) * (high - low)
    weak = np.minimum(amplitudes[one], amplitudes[other])
    curve = np.exp(-3.51 * reach) - np.exp(-5.75 * reach)
    return np.asarray(np.sum(5.0 * weak * curve, axis=-1), np.float64)
