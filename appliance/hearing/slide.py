"""Where a trombone's slide may be: the seven positions, followed note by note.

A note is a partial of the tube, and the tube is longer by a semitone with each position; from the
second partial up a note may therefore lie in more than one. The first position that has it is the
usual one, others are alternates (the position charts of method books: common practice, no source;
the partials themselves are the harmonic series of a tenor trombone in B flat, first position).
"""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

SEMITONES_PER_OCTAVE = 12
POSITIONS = np.arange(7)  # from the first, semitones
PEDAL_MIDI = 34  # B flat 1, first position
PARTIALS = np.arange(1, 13)
FLAT_PARTIALS = (7, 11)  # too far from any note: the slide makes up for it, except in first
VALVE_SEMITONES = 5  # of the F attachment, which not every trombone has
VALVE = 0.05  # how much rather a note is played without it
ALTERNATE = 0.4  # each position further out is so much rarer for the same note
MOVES = 0.7  # share of notes to which the slide moves
REACH = 3.0  # positions; moves thin out over this distance
SLIDE_MOVING = 0.2  # share of moves that are heard as a slide
SLIDE_STILL = 0.02  # a glide of the lip


class Slide:
    """A probability for each position."""

    def __init__(self) -> None:
        """Know nothing yet."""
        apart = np.abs(np.subtract.outer(POSITIONS, POSITIONS))
        moves = np.where(apart > 0, np.exp(-apart / REACH), 0.0)
        self._moves = MOVES * moves / moves.sum(1, keepdims=True)
        self._slide = np.full(len(POSITIONS), 1.0 / len(POSITIONS))

    def arrive(self, midi: float, *, slid: bool) -> float:
        """Take the next note; return how likely the slide moved to play it."""
        fits = _fits(round(midi))
        still = (1 - MOVES) * self._slide * fits * (SLIDE_STILL if slid else 1.0)
        moved = (self._slide @ self._moves) * fits * (SLIDE_MOVING if slid else 1.0)
        total = float(still.sum() + moved.sum())
        if total <= 0.0:  # a note no position has: the slide may be anywhere
            self._slide = np.full(len(POSITIONS), 1.0 / len(POSITIONS))
            return 0.0
        self._slide = (still + moved) / total
        return float(moved.sum()) / total


def _fits(midi: int) -> Floats:
    """How readily each position is used for a note."""
    found = np.array([_readily(midi - PEDAL_MIDI + int(out), int(out)) for out in POSITIONS])
    return np.asarray(found * ALTERNATE**POSITIONS)


def _readily(above: int, out: int) -> float:
    """Whether a note so many semitones above the tube's lowest is one of its partials."""
    if above in _partials(out):
        return 1.0
    return VALVE if above + VALVE_SEMITONES in _partials(out) else 0.0


def _partials(out: int) -> set[int]:
    sounding = [n for n in PARTIALS if out or n not in FLAT_PARTIALS]
    return {round(SEMITONES_PER_OCTAVE * float(np.log2(n))) for n in sounding}
