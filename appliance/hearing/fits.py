"""What comes back of a drone that is alone: a gain for each partial, fitted anew in every step."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from appliance.hearing.sent import SentDrone, basis

Floats = NDArray[np.float64]
Gains = NDArray[np.complex128]

FIT_S = 0.24  # the window of a fit; its Hann taper counts as half of that
FIT_PERIODS = 7.0  # of the grid: below that its partials do not come apart
FRAME_STEPS = 2  # a frame is 40 ms: what turns within it is 25 Hz away
SHAKES_STEPS = 12  # 0.24 s: as long as a fit looks back
LEAST_SCALE = 1e-3  # of the level at which the drone was recognised: softer is silence


class Fits(NamedTuple):
    """What the last quarter of a second says in each step, if the drone is alone.

    ``gains``, as they were in the middle of the window, and ``flutter``, their variance within it,
    have shape (steps, K); ``left``, shape (steps,), is the mean power that they leave.
    """

    gains: Gains
    left: Floats
    flutter: Floats


class RoomFits:
    """Weighted least squares over a sliding window, in which each step turns up once.

    Parameters
    ----------
    drone : as recognised
    turns : cycles per sample of each partial, shape (K,)
    rate_hz : sample rate
    step : samples in a step
    steps : steps in a chunk

    Attributes
    ----------
    span : steps that a fit looks at
    """

    def __init__(
        self, drone: SentDrone, turns: Floats, rate_hz: float, step: int, steps: int
    ) -> None:
        self._step, self._steps = step, steps
        spacing = turns[0] * rate_hz if len(turns) == 1 else np.diff(turns).min() * rate_hz
        self._frame = max(FRAME_STEPS, int(np.ceil(2 * rate_hz / (spacing * step))))
        window_s = max(FIT_S, FIT_PERIODS / drone.grid_hz)
        self._window = int(np.ceil(window_s * rate_hz / step))  # frames
        self.span = self._window + self._frame - 1
        self._set_tables(turns)
        self._tail = np.zeros((self._frame - 1) * step, np.float32)
        self._demodulated = np.zeros((self._window - 1, len(turns)), complex)
        self._powers = np.zeros(self._window - 1)

    def _set_tables(self, turns: Floats) -> None:
        """The frame's tapered basis, the taper over frames, the inverse."""
        samples = np.arange(self._frame * self._step)
        taper = np.hanning(len(samples) + 1)[:-1]
        turning = np.exp(-2j * np.pi * np.outer(samples, turns)) * taper[:, None]
        self._tapered = np.hstack([turning.real, turning.imag]).astype(np.float32)
        over = np.hanning(self._window + 2)[1:-1]
        self._over = np.zeros((self._steps, self._window - 1 + self._steps))
        for s in range(self._steps):
            self._over[s, s : s + self._window] = over
        weights = np.zeros(self.span * self._step)
        for j, share in enumerate(over):
            weights[j * self._step : j * self._step + len(taper)] += share * taper
        columns = basis(turns, len(weights))
        self._inverse = np.linalg.inv(columns.T @ (columns * weights[:, None]))
        self._weight, self._total = weights.sum(), over.sum()
        self._frame_weight = taper.sum() / 2 * self._total
        self._taper = taper.astype(np.float32)

    def fit(self, mic: Floats, here: Gains, turns: Floats, scales: Floats) -> Fits:
        """Fit every step of the chunk ``mic``, shape (steps · step,).

        ``here`` are the partials at the beginning of each step, shape (steps, K), ``scales`` the
        volume of what was sent, shape (steps,).
        """
        count = here.shape[1]
        per = 1.0 / np.maximum(scales, LEAST_SCALE)  # a fader moves all at once
        frames = self._frames(mic)
        found = frames @ self._tapered
        back = np.exp(2j * np.pi * turns * (self._step * (self._frame - 1)))
        demodulated = (found[:, :count] + 1j * found[:, count:]) * np.conj(here) * back
        self._demodulated = np.concatenate([self._demodulated, demodulated * per[:, None]])
        self._powers = np.concatenate([self._powers, ((frames**2) @ self._taper) * per**2])
        summed = self._over @ self._demodulated
        squares = self._over @ (self._demodulated.real**2 + self._demodulated.imag**2)
        power = self._over @ self._powers
        self._demodulated = self._demodulated[self._steps :]
        self._powers = self._powers[self._steps :]
        begin = here * np.exp(-2j * np.pi * turns * (self._step * (self.span - 1)))
        known = summed * begin
        known = np.concatenate([known.real, known.imag], axis=1)
        solution = known @ self._inverse
        left = (power - np.einsum("ij,ij->i", solution, known)) / self._weight
        gains = (solution[:, :count] + 1j * solution[:, count:]) * np.conj(begin)
        mean = summed / self._total
        flutter = squares / self._total - (mean.real**2 + mean.imag**2)
        flutter *= (self._total / self._frame_weight) ** 2
        return Fits(gains, np.maximum(left * scales**2, 1e-14), flutter)

    def _frames(self, mic: Floats) -> NDArray[np.float32]:
        """Overlapping frames of the line, one for each step."""
        line = np.concatenate([self._tail, mic.astype(np.float32)])
        self._tail = line[len(mic) :]
        stride = self._step * line.itemsize
        shape = self._steps, self._frame * self._step
        # A product of overlapping rows would bypass BLAS.
        return np.ndarray(shape, line.dtype, line, strides=(stride, line.itemsize)).copy()


class Shakes:
    """How much fits differ from one another; streaming."""

    def __init__(self) -> None:
        """Know of none yet."""
        self._last: Gains | None = None

    def of(self, fitted: Gains) -> Floats:
        """Variance of the last fits up to each of the next, ``fitted``; shape (steps, K) as theirs.

        The first is taken for all that were before it.
        """
        if self._last is None:
            self._last = np.repeat(fitted[:1], SHAKES_STEPS, axis=0)
        lately = np.concatenate([self._last, fitted])
        self._last = lately[-SHAKES_STEPS:]
        sums, squares = lately.cumsum(0), (lately.real**2 + lately.imag**2).cumsum(0)
        mean = (sums[SHAKES_STEPS:] - sums[:-SHAKES_STEPS]) / SHAKES_STEPS
        square = (squares[SHAKES_STEPS:] - squares[:-SHAKES_STEPS]) / SHAKES_STEPS
        return np.asarray(square - (mean.real**2 + mean.imag**2))
