"""Frames of a stream: overlapping windows, Fourier transforms of a quick length, delay lines."""

from typing import Generic, TypeVar

import numpy as np
from numpy.typing import NDArray

_T = TypeVar("_T", bound=np.generic)


class Delay(Generic[_T]):
    """A line that gives back what was put in ``len(start)`` rows earlier."""

    def __init__(self, start: NDArray[_T]) -> None:
        self._line = start

    def put(self, new: NDArray[_T]) -> NDArray[_T]:
        """Put rows in; as many come out."""
        line = np.concatenate([self._line, new])
        self._line = line[len(new) :]
        return line[: len(new)]


def windows(line: NDArray[_T], size: int, every: int) -> NDArray[_T]:
    """Overlapping windows of a line, a view; the last one ends with it."""
    count = (len(line) - size) // every + 1
    item = line.itemsize
    return np.ndarray((count, size), line.dtype, line, strides=(every * item, item))


def quick_length(least: float) -> int:
    """The next even length without a prime factor above 5: Fourier transforms like it."""
    size = int(np.ceil(least / 2)) * 2
    while True:
        rest = size
        for prime in (2, 3, 5):
            while rest % prime == 0:
                rest //= prime
        if rest == 1:
            return size
        size += 2
