"""Microphone and loudspeaker on two clocks: every partial of the drone turns, in proportion."""

from collections import deque

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Gains = NDArray[np.complex128]

WANDER_STEPS = 25  # 0.5 s: 100 ppm turn the tenth partial of 220 Hz by 40 degrees
KEPT = 0.998  # a step: the slope is a mean over ten seconds
EARLY_S, EARLY_SHARE, SHARE = 3.0, 0.15, 0.02  # a step: first it is found, then it is kept


class Drift:
    """By what share the clocks differ, from the slope of the gains' phase over the partials.

    Parameters
    ----------
    turns : cycles per sample of each partial, shape (K,)
    step : samples in a step
    """

    def __init__(self, turns: Floats, step: int) -> None:
        self._turns, self._step = turns, step
        self._history: deque[Gains] = deque(maxlen=WANDER_STEPS)
        self._drift, self._slope, self._weight = 0.0, 0.0, 1e-9

    def turned(self, steps: float) -> Gains:
        """By what the drift turns the gains in so many steps, shape (K,)."""
        turned = 2j * np.pi * self._drift * self._step * steps
        return np.asarray(np.exp(turned * self._turns))

    def shift(self, share: float) -> None:
        """The drone's own frequency has turned out to be another, by this share."""
        self._drift += share

    def forget(self) -> None:
        """The next gains do not follow from those before."""
        self._history.clear()

    def follow(self, fitted: Gains, seconds: float) -> None:
        """Learn from the gains of one step, shape (K,), ``seconds`` after the drone was known."""
        if len(self._history) == WANDER_STEPS:
            turned = fitted * np.conj(self._history[0] * self.turned(WANDER_STEPS))
            weight = np.abs(turned)
            reach = (2 * np.pi * self._step * WANDER_STEPS) * self._turns
            pulled = weight * reach
            self._slope = KEPT * self._slope + float(pulled @ np.angle(turned))
            self._weight = KEPT * self._weight + float(pulled @ reach)
            share = EARLY_SHARE if seconds < EARLY_S else SHARE
            self._drift += share * self._slope / self._weight
            self._slope *= 1 - share
        self._history.append(fitted)
