"""The traces of the frames, hop by hop, as far back as a decision may look."""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


class Traces:
    """Parallel lines, addressed by the index of the hop since the ear began.

    ``cents`` and ``quick`` (re 1 Hz; NaN: no pitch), ``level`` and ``over`` (dB; over what may be
    left of a drone), ``bands`` (dB, shape (bands,) a hop), ``second`` (cents and dB of
    another pitch).
    """

    def __init__(self) -> None:
        self.first = 0  # the oldest hop kept
        self._cents: list[float] = []
        self._quick: list[float] = []
        self._level: list[float] = []
        self._over: list[float] = []
        self._bands: list[Floats] = []
        self._second: list[tuple[float, float]] = []

    @property
    def now(self) -> int:
        """The latest hop."""
        return self.first + len(self._level) - 1

    def add(
        self,
        cents: float,
        quick: float,
        level: float,
        over: float,
        bands: Floats,
        second: tuple[float, float],
    ) -> None:
        """Take the next hop."""
        self._cents.append(cents)
        self._quick.append(quick)
        self._level.append(level)
        self._over.append(over)
        self._bands.append(bands)
        self._second.append(second)

    def forget(self, before: int) -> None:
        """Drop the hops before one."""
        for line in (self._cents, self._quick, self._level, self._over, self._bands, self._second):
            del line[: before - self.first]
        self.first = before

    def cents(self, start: int, stop: int) -> list[float]:
        """Pitch from hop ``start`` to before ``stop``, as far as it is kept."""
        return self._cents[self._part(start, stop)]

    def quick(self, start: int, stop: int) -> list[float]:
        """Aubio's own pitch, likewise."""
        return self._quick[self._part(start, stop)]

    def level(self, start: int, stop: int) -> list[float]:
        """Level, likewise."""
        return self._level[self._part(start, stop)]

    def bands(self, start: int, stop: int) -> list[Floats]:
        """Levels in bands, likewise."""
        return self._bands[self._part(start, stop)]

    def second(self, start: int, stop: int) -> Floats:
        """Cents of another pitch and its power re the first, dB; shape (hops, 2)."""
        return np.array(self._second[self._part(start, stop)]).reshape(-1, 2)

    def level_at(self, hops: NDArray[np.intp]) -> Floats:
        """Level at some hops."""
        return np.array(self._level)[hops - self.first]

    def over_at(self, hops: NDArray[np.intp]) -> Floats:
        """Level over what may be left of a drone, at some hops."""
        return np.array(self._over)[hops - self.first]

    def _part(self, start: int, stop: int) -> slice:
        return slice(max(start - self.first, 0), max(stop - self.first, 0))
