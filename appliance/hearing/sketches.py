"""A note while it sounds, frame by frame, and as it is handed on to be measured."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from appliance.hearing.passages import Passage
from appliance.vocabulary import Arrival

Floats = NDArray[np.float64]

REFERENCE_HOPS = 20  # mean over 200 ms: about one vibrato cycle
NO_PAIR = (np.nan, np.nan)


@dataclass(frozen=True, slots=True)
class NoteSketch:
    """One note before it is measured; ``end_s`` is ``None`` while it sounds.

    ``doubled``: a second string sounded with it for half of it or more.

    ``time_s``, ``cents`` (re 1 Hz), ``level_db``, ``over_db`` (the level over what may be left of a
    drone) and ``apart`` (how far aubio's own pitch is above ``cents``, in cents, octaves aside;
    NaN: it reads none) have shape (frames,) and hold the frames in which a pitch was heard.
    """

    start_s: float
    end_s: float | None
    arrival: Arrival
    slide_s: float | None
    time_s: Floats
    cents: Floats
    level_db: Floats
    over_db: Floats
    apart: Floats
    doubled: bool = False
    strings: tuple[float, float] = NO_PAIR  # cents of both


@dataclass(slots=True)
class OpenNote:
    """The note that sounds: frame indices and cents as they come."""

    start: int
    arrival: Arrival
    glide: Passage | None = None  # by which it was reached
    at: list[int] = field(default_factory=list)
    cents: list[float] = field(default_factory=list)
    folds: list[float] = field(default_factory=list)  # cents by which a frame was moved: a slip
    away_at: list[int] = field(default_factory=list)
    away: list[float] = field(default_factory=list)

    def reference(self) -> float:
        """Where its pitch lately was, in cents."""
        recent = self.cents[-REFERENCE_HOPS:]
        return sum(recent) / len(recent)

    def add(self, at: int, cents: float, fold: float = 0.0) -> None:
        """Take a frame whose pitch belongs to the note once it has been moved by ``fold``."""
        self.at.append(at)
        self.cents.append(cents + fold)
        self.folds.append(fold)

    def add_away(self, fold: float = 0.0) -> None:
        """Take the frames that seemed to have left it."""
        for at, cents in zip(self.away_at, self.away, strict=True):
            self.add(at, cents, fold)
        self.away_at, self.away = [], []
