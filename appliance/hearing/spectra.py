"""Short-time spectra: what stands out of them, and what may be left of a drone in them."""

import numpy as np
from numpy.typing import NDArray

from appliance.hearing.framing import quick_length, windows
from appliance.hearing.grid import HIGHEST_PARTIAL_HZ

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]
Spectra = NDArray[np.complex64]

FLOOR_EVERY = 3  # bins: the median of a third of them is the median of all
FLOOR_WEIGHT = 1.5  # times the median bin is taken off as noise
LEFTOVER_WEIGHT = 1.5  # times what may be left of a drone partial is taken off


class Spectrum:
    """A Hann window and its Fourier transform.

    Parameters
    ----------
    window : samples in it
    padding : the transform is at least so many times as long
    rate_hz : sample rate

    Attributes
    ----------
    bin_hz, bins : distance and number of the bins, up to ``grid.HIGHEST_PARTIAL_HZ``
    scale : from a bin's magnitude to a partial's amplitude
    lobe_hz : half the main lobe of a steady partial
    """

    def __init__(self, window: int, padding: float, rate_hz: float) -> None:
        self._window = window
        self._size = quick_length(padding * window)
        self.bin_hz = rate_hz / self._size
        self.bins = int(HIGHEST_PARTIAL_HZ * 1.02 / self.bin_hz) + 2
        taper = np.hanning(window + 2)[1:-1]
        self._taper = taper.astype(np.float32)  # 24 bits are enough, and twice as quick
        self._taper_power = float(taper @ taper)
        self.scale = 2 / float(taper.sum())
        self.lobe_hz = 2 * rate_hz / window
        self._lobes, self._lobes_hz = np.zeros((self.bins, 0)), np.zeros(0)

    def frames(self, line: Floats32, every: int) -> Floats32:
        """Tapered windows of a line, ``every`` so many samples; shape (n, window)."""
        return np.asarray(windows(line, self._window, every) * self._taper)

    def power(self, frames: Floats32) -> Floats:
        """Power of what is in each of ``frames``, shape (n,)."""
        return np.asarray(np.einsum("ij,ij->i", frames, frames) / self._taper_power)

    def transform(self, frames: Floats32) -> Spectra:
        """Spectra of frames, shape (n, bins)."""
        return np.asarray(np.fft.rfft(frames, self._size)[:, : self.bins])

    def amplitude(self, spectra: Spectra) -> Floats32:
        """Amplitude of a partial in each bin, shape (n, bins)."""
        power = spectra.real**2 + spectra.imag**2
        return np.asarray(np.sqrt(power, dtype=np.float32) * np.float32(self.scale))

    def leftover(self, partial_hz: Floats, amplitude: Floats) -> Floats:
        """What may be left of a drone in each bin, as amplitude; shape (bins,).

        ``partial_hz`` and ``amplitude`` have shape (partials,).
        """
        if len(partial_hz) == 0:
            return np.zeros(self.bins)
        if not np.array_equal(partial_hz, self._lobes_hz):
            self._lobes_hz = partial_hz
            away = np.abs(np.arange(self.bins)[:, None] - partial_hz / self.bin_hz)
            reach = self.lobe_hz / self.bin_hz
            self._lobes = 0.5 + 0.5 * np.cos(np.pi * np.minimum(away / reach, 1))
        return np.asarray((self._lobes * amplitude).max(1), dtype=np.float32)


def floor_of(amplitude: Floats32) -> Floats32:
    """Median bin of each spectrum, shape (n, 1)."""
    some = amplitude[:, ::FLOOR_EVERY]
    return np.asarray(np.partition(some, some.shape[1] // 2, axis=1)[:, some.shape[1] // 2, None])


def above(amplitude: Floats32, floor: Floats32, leftover: Floats) -> Floats32:
    """What stands out of noise and of what may be left of a drone, negative where nothing does."""
    return np.asarray(amplitude - (FLOOR_WEIGHT * floor + np.float32(LEFTOVER_WEIGHT) * leftover))
