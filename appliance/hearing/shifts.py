"""Landings become shifts: where the left hand must have moved to get there.

From sound alone this is a likelihood. A hand is a string and a place on it; where it may be after
each note is followed note by note (the optimum path over hand positions of Sayegh, "Fingering for
String Instruments with the Optimum Path Paradigm", CMJ 1989, with probabilities in place of costs),
and an audible slide counts as evidence that the hand moved along one string.
"""

import numpy as np
from numpy.typing import NDArray

from appliance.instruments import Instrument
from appliance.tuning import cents, midi_of
from appliance.vocabulary import Arrival, Shift

Floats = NDArray[np.float64]

REPORT = 0.5  # more likely than not
# The weights below are chosen so that the cheapest fingering a teacher would write wins (common
# practice, no source), and on passages of known fingering (tests/fingering.py, seed 1).
LEAST_CENTS = 50.0  # nearer it is the same note
MOVES = 0.1  # share of notes to which an unheard hand moves
REACH_SEMITONES = 4.0  # moves of the hand thin out over this distance
CROSSING = 0.5  # each string further away halves the share of crossings
EXTENSION = 0.02  # a finger stretched a semitone out of the frame
LOW_SEMITONES = 8.0  # a hand that can stay low does: places thin out over this distance
WIDE_FRAME = 5  # semitones: a hand as wide as this leans back by one without a shift
SLIDE_MOVING = 0.4  # share of moves along a string that are heard as a slide
SLIDE_STILL = 0.004  # a finger that slides while the hand stands or leans
TROMBONE_LIKELY = 0.9  # a glide on a trombone is its slide, or now and then the lip


class ShiftFinder:
    """Follows the hand of one player; notes must come in order."""

    def __init__(self, instrument: Instrument, a4_hz: float) -> None:
        self._instrument, self._a4_hz = instrument, a4_hz
        self._from_hz: float | None = None
        self._frame = instrument.frame_semitones
        if self._frame is not None:
            self._strings = np.array(instrument.strings, dtype=float)
            highest = instrument.highest - int(self._strings[-1])
            self._places = np.arange(1, max(highest - self._frame, 2) + 1)
            self._tabulate()

    def _tabulate(self) -> None:
        apart = np.abs(np.subtract.outer(self._strings, self._strings))
        order = np.abs(np.subtract.outer(np.arange(len(apart)), np.arange(len(apart))))
        self._cross = _normalised(CROSSING**order)
        distance = np.abs(np.subtract.outer(self._places, self._places))
        self._move = _normalised(np.where(distance > 0, np.exp(-distance / REACH_SEMITONES), 0.0))
        wide = self._frame is not None and self._frame >= WIDE_FRAME
        self._lean = np.where((distance == 1) & wide, self._move, 0.0)
        self._far = self._move - self._lean
        low = np.exp(-self._places / REACH_SEMITONES)
        self._hand = np.tile(low / low.sum() / len(apart), (len(apart), 1))

    def arrive(self, hz: float, arrival: Arrival) -> Shift | None:
        """Take the next note, at ``hz``; return the shift that led to it, if one is likely."""
        before, self._from_hz = self._from_hz, hz
        if self._frame is not None:
            likely = self._follow(hz, arrival is Arrival.SLIDE)
        elif self._instrument.slide and arrival is Arrival.SLIDE:
            likely = TROMBONE_LIKELY
        else:
            likely = 0.0
        if before is None or likely < REPORT or abs(cents(hz, before)) < LEAST_CENTS:
            return None
        return Shift(before, hz, round(likely, 3))

    def _follow(self, hz: float, slid: bool) -> float:
        """Update where the hand may be; return how likely it moved."""
        fits = self._fits(hz)
        on_string = self._hand if slid else self._cross @ self._hand
        heard = (SLIDE_STILL, SLIDE_MOVING) if slid else (1.0, 1.0)
        near = ((1 - MOVES) * on_string + MOVES * (on_string @ self._lean)) * fits * heard[0]
        far = MOVES * (on_string @ self._far) * fits * heard[1]
        total = float(near.sum() + far.sum())
        if total <= 0.0:  # a note no hand on these strings can play: anything may follow
            self._tabulate()
            return 0.0
        self._hand = (near + far) / total
        return float(far.sum()) / total

    def _fits(self, hz: float) -> Floats:
        """How well each string and place of the hand can play the note; (strings, places)."""
        assert self._frame is not None
        finger = np.rint(midi_of(hz, self._a4_hz) - self._strings)[:, None]
        inside = (finger >= self._places) & (finger <= self._places + self._frame)
        stretched = (finger == self._places - 1) | (finger == self._places + self._frame + 1)
        fits = np.where(inside, 1.0, np.where(stretched, EXTENSION, 0.0))
        fits = fits * np.exp(-self._places / LOW_SEMITONES)
        return np.where(finger == 0, 1.0, np.where(finger < 0, 0.0, fits))


def _normalised(weights: Floats) -> Floats:
    return np.asarray(weights / weights.sum(1, keepdims=True))
