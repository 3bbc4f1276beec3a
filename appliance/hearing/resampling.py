"""Sound at the device's rate becomes sound at the ear's rate, near 24 kHz."""

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

Floats = NDArray[np.float64]

EAR_RATE_HZ = 24000.0  # partials are read up to 5 kHz, noise bands up to 6.4 kHz
PASS_HZ = 7000.0
TAPS_PER_STEP = 18  # Hamming: 50 dB down from half the new rate on, so that no partial folds


class Decimator:
    """Keeps every ``step``-th sample after a linear-phase low-pass; streaming.

    The step is the whole number that brings ``rate_hz`` nearest to 24 kHz: 44.1 kHz becomes
    22.05, 48 and 96 kHz become 24.
    """

    def __init__(self, rate_hz: float) -> None:
        self.step = max(1, round(rate_hz / EAR_RATE_HZ))
        self.rate_hz = rate_hz / self.step
        count = TAPS_PER_STEP * self.step + 1
        middle = (count - 1) / 2
        cutoff = (PASS_HZ + self.rate_hz / 2) / rate_hz
        self._taps = np.sinc(cutoff * (np.arange(count) - middle)) * np.hamming(count)
        self._taps /= self._taps.sum()
        self._line = np.zeros(count - 1)

    def decimate(self, samples: Floats) -> Floats:
        """Shape (n · step,) becomes (n,)."""
        if self.step == 1:
            return samples
        line = np.concatenate([self._line, samples])
        self._line = line[len(samples) :]
        return np.asarray(sliding_window_view(line, len(self._taps))[:: self.step] @ self._taps)
