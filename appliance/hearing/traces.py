"""The traces of the frames, hop by hop, as far back as a decision may look."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


class Hop(NamedTuple):
    """One hop as it was heard: pitch re 1 Hz in cents (NaN: none), levels in dB.

    ``quick`` is aubio's own pitch; ``over`` the level over what may be left of a drone; ``bands``
    has shape (bands,); ``second`` and ``second_db`` are another pitch beside it and its power re
    the first; ``sure``: through a drone, and the pitch is surely not what is left of it.
    """

    cents: float
    quick: float
    level: float
    over: float
    second: float
    second_db: float
    sure: bool
    bands: Floats


class Traces:
    """Hops, addressed by their index since the ear began."""

    def __init__(self) -> None:
        self.first = 0  # the oldest hop kept
        self._cents: list[float] = []
        self._quick: list[float] = []
        self._level: list[float] = []
        self._hops: list[Hop] = []

    @property
    def now(self) -> int:
        """The latest hop."""
        return self.first + len(self._hops) - 1

    @property
    def latest(self) -> Hop:
        """What was heard in it."""
        return self._hops[-1]

    def add(self, hop: Hop) -> None:
        """Take the next hop."""
        self._cents.append(hop.cents)
        self._quick.append(hop.quick)
        self._level.append(hop.level)
        self._hops.append(hop)

    def forget(self, before: int) -> None:
        """Drop the hops before one."""
        for line in (self._cents, self._quick, self._level, self._hops):
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

    def sure(self, start: int, stop: int) -> list[bool]:
        """Whether the pitch is surely not left of a drone, likewise."""
        return [hop.sure for hop in self._hops[self._part(start, stop)]]

    def bands(self, start: int, stop: int) -> list[Floats]:
        """Levels in bands, likewise."""
        return [hop.bands for hop in self._hops[self._part(start, stop)]]

    def second(self, start: int, stop: int) -> Floats:
        """Cents of another pitch and its power re the first, dB; shape (hops, 2)."""
        hops = self._hops[self._part(start, stop)]
        return np.array([(hop.second, hop.second_db) for hop in hops]).reshape(-1, 2)

    def at(self, indices: NDArray[np.intp]) -> Floats:
        """Level, level over what may be left of a drone, aubio's pitch at some hops; (3, n)."""
        hops = (self._hops[index - self.first] for index in indices)
        return np.array([(hop.level, hop.over, hop.quick) for hop in hops]).reshape(-1, 3).T

    def _part(self, start: int, stop: int) -> slice:
        return slice(max(start - self.first, 0), max(stop - self.first, 0))
