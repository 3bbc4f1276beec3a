"""How far the gains that can be followed have moved: the others have moved as far.

While a player touches some partials of the drone their gains stand where they were; the room shows
in the partials that nobody touches how much that is worth.
"""

from collections import deque

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Gains = NDArray[np.complex128]
Flags = NDArray[np.bool_]

CHUNKS = 19  # 3 s: what has not been followed for longer has been lost
PARTIALS = 3.0  # so many at least, counted by their power: one alone may be a player's


class Trail:
    """Gains as they were lately, chunk by chunk."""

    def __init__(self) -> None:
        self._gains: deque[Gains] = deque(maxlen=CHUNKS)
        self._followed: deque[Flags] = deque(maxlen=CHUNKS)

    def put(self, gains: Gains, followed: Flags, turned: Gains) -> None:
        """Take the gains at the end of a chunk; shapes (K,).

        ``followed`` says which of them were; ``turned`` is by what drift turns them in a chunk.
        """
        self._gains = deque((before * turned for before in self._gains), CHUNKS)
        self._gains.append(gains)
        self._followed.append(followed)

    def moved(self, chunks: Floats) -> Floats:
        """Mean square by which a gain has moved in so many ``chunks``, re its own; shape as theirs.

        0 where hardly any gain has been followed for so long.
        """
        gains, followed = np.array(self._gains)[::-1], np.array(self._followed)[::-1]
        both = followed & followed[0]
        power = np.where(both, np.abs(gains[0]) ** 2, 0.0)
        total = power.sum(1)
        several = total**2 > PARTIALS * (power**2).sum(1)
        off = np.where(both, np.abs(gains - gains[0]) ** 2, 0.0).sum(1)
        share = np.where(several, off / (total + 1e-30), 0.0)
        at = np.minimum(np.ceil(chunks).astype(int), len(share) - 1)
        return np.asarray(share[at])
