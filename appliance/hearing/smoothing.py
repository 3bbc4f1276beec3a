"""Levels without the flutter of single periods."""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

PERIODS = 0.9  # of what sounds: averaged over so many, or the level flutters


class Smoother:
    """Mean power of each row and the ones before it, over one period of what sounds; streaming."""

    def __init__(self, hop_s: float, longest_hops: int, columns: int) -> None:
        self._hop_s, self._longest = hop_s, longest_hops
        self._before = np.zeros((longest_hops - 1, columns))

    def put(self, db: Floats, hz: Floats) -> Floats:
        """``db`` (rows, columns) and pitch (rows,; NaN: none, the longest period) to dB."""
        power = np.concatenate([self._before, 10 ** (db / 10)])
        self._before = power[len(db) :]
        hops = np.ceil(PERIODS / (np.fmax(hz, 1.0) * self._hop_s))[:, None]
        hops = np.clip(np.where(np.isnan(hz)[:, None], self._longest, hops), 1, self._longest)
        total = np.zeros_like(db)
        for k in range(self._longest):
            begin = self._longest - 1 - k
            total += np.where(k < hops, power[begin : begin + len(db)], 0.0)
        return np.asarray(10 * np.log10(total / hops + 1e-20))
