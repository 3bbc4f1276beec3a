"""What is being sent to the loudspeaker: the root and the partials of a steady harmonic drone."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

LOWEST_ROOT_HZ = 25.0  # below C1 at the lowest A4
HIGHEST_PARTIAL = 0.49  # of the sample rate: what is sent is known whole, or not at all
PRESENT_DB = -60.0  # a weaker partial is the residue of a fade or the noise of 16 bits
ON_GRID = 0.08  # of the grid's spacing: how far a partial may lie from it
MOST_PARTIALS = 64  # the fit costs their square
BEYOND = 1.3  # loudspeakers add partials above the highest that is sent
BLOCK = 64  # samples
EXPLAINED = 10 ** (-35 / 10)  # share of power a fit may leave in a steady tone


@dataclass(frozen=True, slots=True)
class SentDrone:
    """A drone: its root, and the grid of frequencies on which all its partials lie.

    ``root_hz`` is the lowest partial. ``grid_hz`` is the root, or half of it where a fifth is
    added. ``orders``, shape (K,), are the multiples of the grid to be fitted, including some that
    are not sent: a loudspeaker distorts.
    """

    root_hz: float
    grid_hz: float
    orders: NDArray[np.intp]

    @property
    def partial_hz(self) -> Floats:
        """Frequencies to be fitted, shape (K,)."""
        return np.asarray(self.orders * self.grid_hz, dtype=np.float64)


def recognise(sent: Floats, rate_hz: float) -> SentDrone | None:
    """The drone that sounds all through ``sent``, shape (n,) of about 0.3 s; ``None``: no such.

    Frequencies are right to about 1e-6: the phase of each partial is followed from the first half
    to the second.
    """
    peaks_hz, amplitude = _peaks(sent, rate_hz)
    if len(peaks_hz) == 0:
        return None
    for divisor in (1, 2):
        grid_hz = peaks_hz[0] / divisor
        orders = np.rint(peaks_hz / grid_hz).astype(np.intp)
        weight = amplitude**2
        grid_hz = float((weight * orders * peaks_hz).sum() / (weight * orders**2).sum())
        if np.all(np.abs(peaks_hz / grid_hz - orders) < ON_GRID):
            return _refined(sent, rate_hz, grid_hz, orders)
    return None


def _peaks(sent: Floats, rate_hz: float) -> tuple[Floats, Floats]:
    """Frequencies and amplitudes of the spectral peaks, lowest first."""
    size = 4 << int(np.ceil(np.log2(len(sent))))
    taper = _blackman_harris(len(sent))
    spectrum = np.abs(np.fft.rfft(sent * taper, size)) / taper.sum() * 2
    reach = int(np.ceil(4 * size / len(sent)))  # half the main lobe
    floor = spectrum.max() * 10 ** (PRESENT_DB / 20)
    low = int(LOWEST_ROOT_HZ * size / rate_hz)
    high = int(HIGHEST_PARTIAL * size)
    inner = spectrum[1:-1]
    top = (inner > spectrum[:-2]) & (inner >= spectrum[2:]) & (inner > floor)
    found = [b for b in np.nonzero(top)[0] + 1 if low <= b <= high]
    found = [
        b for b in found if spectrum[b] >= spectrum[max(b - reach // 2, 0) : b + reach // 2].max()
    ]
    bins = np.array(found, dtype=int)
    if len(bins) == 0 or spectrum.max() < 1e-5:
        return np.zeros(0), np.zeros(0)
    a, b, c = (np.log(spectrum[bins + k] + 1e-30) for k in (-1, 0, 1))
    offset = 0.5 * (a - c) / (a - 2 * b + c)  # a parabola through the logarithm of the lobe
    return (bins + offset) * rate_hz / size, spectrum[bins]


def _blackman_harris(count: int) -> Floats:
    """Four-term window, side lobes below −92 dB (Harris, Proc. IEEE 66, 1978)."""
    turn = 2 * np.pi * np.arange(count) / count
    return (
        0.35875 - 0.48829 * np.cos(turn) + 0.14128 * np.cos(2 * turn) - 0.01168 * np.cos(3 * turn)
    )


def _refined(
    sent: Floats, rate_hz: float, grid_hz: float, orders: NDArray[np.intp]
) -> SentDrone | None:
    """Sharpen the grid by phase, and see whether the partials explain the sound."""
    half = len(sent) // 2
    for _ in range(3):
        first = fit(sent[:half], _turns(orders, grid_hz, rate_hz))
        second = fit(sent[half : 2 * half], _turns(orders, grid_hz, rate_hz))
        turned = np.exp(2j * np.pi * half * _turns(orders, grid_hz, rate_hz))
        slip = np.angle(second * np.conj(first * turned)) / (2 * np.pi * half / rate_hz)
        weight = np.abs(first * second)
        grid_hz += float((weight * orders * slip).sum() / (weight * orders**2).sum())
    gains = fit(sent, _turns(orders, grid_hz, rate_hz))
    left = sent - sound(gains, _turns(orders, grid_hz, rate_hz), len(sent))
    if np.mean(left**2) > EXPLAINED * np.mean(sent**2):
        return None
    return SentDrone(float(orders[0] * grid_hz), grid_hz, _fitted(orders, grid_hz / rate_hz))


def _turns(orders: NDArray[np.intp], grid_hz: float, rate_hz: float) -> Floats:
    """Cycles per sample of each partial."""
    return np.asarray(orders * grid_hz / rate_hz, dtype=np.float64)


def _fitted(orders: NDArray[np.intp], grid: float) -> NDArray[np.intp]:
    """Orders to fit: those sent, and what a loudspeaker may add on the way up and above."""
    between = np.arange(orders[0], min(BEYOND * orders[-1], HIGHEST_PARTIAL / grid) + 1)
    fitted = sorted({*orders.tolist(), *between.astype(np.intp).tolist()})
    return np.array(fitted[:MOST_PARTIALS], np.intp)  # np.unique loads masked arrays, 4 MB


def basis(turns: Floats, count: int) -> Floats:
    """Cosines and negative sines of all partials, shape (count, 2K): columns of the fit."""
    turning = _turning(turns, count)
    return np.hstack([turning.real, -turning.imag])


def _turning(turns: Floats, count: int) -> NDArray[np.complex128]:
    """exp(2πi · turns · n), shape (count, K), as a product of few exponentials: they are slow."""
    blocks = np.exp(2j * np.pi * np.outer(np.arange(0, count, BLOCK), turns))
    inside = np.exp(2j * np.pi * np.outer(np.arange(BLOCK), turns))
    return np.asarray((blocks[:, None] * inside).reshape(-1, len(turns))[:count])


def fit(sound_in: Floats, turns: Floats) -> NDArray[np.complex128]:
    """Complex gains a, least squares of x[n] = Re Σ a · exp(2πi · turns · n); shape (K,)."""
    columns = basis(turns, len(sound_in))
    solution = np.linalg.solve(columns.T @ columns, columns.T @ sound_in)
    return np.asarray(solution[: len(turns)] + 1j * solution[len(turns) :])


def sound(gains: NDArray[np.complex128], turns: Floats, count: int) -> Floats:
    """The sum of partials that :func:`fit` takes apart; shape (count,)."""
    return np.asarray((_turning(turns, count) @ gains).real)
