"""What an estimator reads for what is left of a drone's partial: not always that partial."""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# A partial at 19 times the root of 220 Hz was read as the third of a pitch for six seconds. Lower
# thirds are fourths and sixths, which are played.
THIRDS_FROM = 5.0


def read_order(ratio: Floats) -> Floats:
    """The multiple of the root that is likeliest meant by pitches at so many times the root.

    Partials, halves of them, and thirds of those that lie above every instrument.
    """
    halves = np.maximum(np.rint(2 * ratio), 1.0) / 2
    thirds = np.rint(3 * ratio) / 3
    nearer = (ratio > THIRDS_FROM) & (np.abs(thirds - ratio) < np.abs(halves - ratio))
    return np.asarray(np.where(nearer, thirds, halves))
