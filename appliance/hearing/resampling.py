"""Sound at one rate becomes sound at half, a third … of it; streaming."""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

EAR_RATE_HZ = 24000.0  # what the drone is taken out of, and what aubio hears
PASS_HZ = 7000.0  # noise bands are read up to 6.4 kHz
SPECTRUM_PASS_HZ = 5200.0  # partials are read up to 5 kHz: half the rate is enough for them
TAPS_PER_STEP = 18  # Hamming: 50 dB down from half the new rate on, so that no partial folds
BLOCK = 16  # outputs of one row of the matrix product: twice the work of the filter, in BLAS


class Decimator:
    """Keeps every ``step``-th sample after a linear-phase low-pass.

    Parameters
    ----------
    rate_hz : of what comes in
    step : whole number, 1 leaves everything as it is
    pass_hz : what lies above may be lost
    """

    def __init__(self, rate_hz: float, step: int, pass_hz: float) -> None:
        self.step, self.rate_hz = step, rate_hz / step
        count = TAPS_PER_STEP * step + 1
        middle = (count - 1) / 2
        cutoff = (pass_hz + self.rate_hz / 2) / rate_hz
        taps = np.sinc(cutoff * (np.arange(count) - middle)) * np.hamming(count)
        self._line = np.zeros(count - 1, np.float32)
        self._filter = np.zeros(((BLOCK - 1) * step + count, BLOCK), np.float32)
        for k in range(BLOCK):
            self._filter[k * step : k * step + count, k] = taps / taps.sum()

    def decimate(self, samples: Floats) -> Floats:
        """Shape (n · step,), n a multiple of ``BLOCK``, becomes (n,)."""
        if self.step == 1:
            return samples
        line = np.concatenate([self._line, samples.astype(np.float32)])
        self._line = line[len(samples) :]
        rows, width = len(samples) // (BLOCK * self.step), len(self._filter)
        stride = BLOCK * self.step * line.itemsize
        windows = np.ndarray((rows, width), line.dtype, line, strides=(stride, line.itemsize))
        # A product of overlapping rows would bypass BLAS: copied they are quicker.
        return np.asarray((windows.copy() @ self._filter).reshape(-1), np.float64)


def to_ear_rate(rate_hz: float) -> Decimator:
    """From the device's rate to the one nearest 24 kHz: 44.1 kHz becomes 22.05, 96 kHz 24."""
    return Decimator(rate_hz, max(1, round(rate_hz / EAR_RATE_HZ)), PASS_HZ)
