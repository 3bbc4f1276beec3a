"""Landings become shifts, slide moves or leaps: what must have moved to get there.

From sound alone this is a likelihood. On a string instrument a hand is a string and a place on it;
where it may be after each note is followed note by note (the optimum path over hand positions of
Sayegh, "Fingering for String Instruments with the Optimum Path Paradigm", CMJ 1989, with
probabilities in place of costs), and an audible slide counts as evidence that the hand moved along
one string. A trombone's slide is followed in the same way (``slide.py``). With voice and winds
nothing moves that the sound could tell, so they report leaps, which are intervals and no more.
"""

import numpy as np
from numpy.typing import NDArray

from appliance.hearing.slide import Slide
from appliance.instruments import Instrument
from appliance.tuning import cents, midi_of
from appliance.vocabulary import Arrival, Movement, Shift

Floats = NDArray[np.float64]

REPORT = 0.5  # more likely than not
ARRIVED_WITHIN_S = 3.0  # after a longer rest nobody comes from anywhere (as for a round)
# A second is a step, a third a skip, a fourth or more a leap (common practice, no source; others
# call a third a leap as well). Half way from a major third to a fourth.
LEAP_CENTS = 450.0
LEAST_CENTS = 50.0  # nearer it is the same note
# The weights below are chosen so that the cheapest fingering a teacher would write wins (common
# practice, no source), and on passages of known fingering (tests/fingering.py, seed 1).
MOVES = 0.12  # share of notes to which the hand moves
REACH_SEMITONES = 6.0  # moves of the hand thin out over this distance …
LOW_SEMITONES = 6.0  # … and the places it moves to over this distance from the nut
STAYS_SEMITONES = 10.0  # a hand that can stay low does: each note again thins the places out
BEGINS_SEMITONES = 2.0  # as do the places in which it begins
CROSSING = 0.4  # share of crossings, less by as much for each string further away
EXTENSION = 0.002  # a finger stretched a semitone out of the frame
OPEN = 0.15  # an open string, for each note that the frame holds
WIDE_FRAME = 5  # semitones: a hand as wide as this leans by one without a shift …
LEANS = 0.03  # … so often
SLIDE_MOVING = 0.4  # share of moves along a string that are heard as a slide
SLIDE_STILL = 0.004  # a finger that slides while the hand stands or leans


class ShiftFinder:
    """Follows one player; notes must come in order."""

    def __init__(self, instrument: Instrument, a4_hz: float) -> None:
        self._movement, self._a4_hz = instrument.movement, a4_hz
        self._from_hz: float | None = None
        self._follower = None
        if self._movement is not Movement.LEAP:
            self._follower = Slide() if instrument.slide else Hand(instrument)

    def arrive(self, hz: float, arrival: Arrival, rest_s: float = 0.0) -> Shift | None:
        """Take the next note, at ``hz`` after ``rest_s``; return what led to it, if it is likely.

        That is a shift, a slide move or a leap, by the instrument.
        """
        before, self._from_hz = self._from_hz, hz
        likely = self._likely(before, hz, slid=arrival is Arrival.SLIDE)
        if before is None or rest_s > ARRIVED_WITHIN_S or likely < REPORT:
            return None
        if abs(cents(hz, before)) < LEAST_CENTS:
            return None
        return Shift(before, hz, round(likely, 3), self._movement)

    def _likely(self, before: float | None, hz: float, *, slid: bool) -> float:
        if self._follower is not None:
            return self._follower.arrive(midi_of(hz, self._a4_hz), slid=slid)
        return float(before is not None and abs(cents(hz, before)) >= LEAP_CENTS)


class Hand:
    """Where the left hand may be: a probability for each string and place."""

    def __init__(self, instrument: Instrument) -> None:
        """Take an instrument with a hand frame."""
        assert instrument.frame_semitones is not None
        self._frame = instrument.frame_semitones
        self._strings = np.array(instrument.strings, dtype=float)
        highest = instrument.highest - int(self._strings[-1])
        self._places = np.arange(1, max(highest - self._frame, 2) + 1)
        self._tabulate()

    def _tabulate(self) -> None:
        order = np.abs(np.subtract.outer(*2 * [np.arange(len(self._strings))]))
        self._cross = _normalised(CROSSING**order)
        away = np.abs(np.subtract.outer(self._places, self._places))
        low = np.exp(-self._places / LOW_SEMITONES)
        leans = away == (1 if self._frame >= WIDE_FRAME else -1)
        moves = (away > 0) & ~leans
        self._far = MOVES * _normalised(np.where(moves, low * np.exp(-away / REACH_SEMITONES), 0.0))
        self._near = (1 - MOVES) * np.eye(len(low))
        if leans.any():
            self._near = (1 - LEANS) * self._near + LEANS * _normalised(np.where(leans, low, 0.0))
        self._stays = np.exp(-self._places / STAYS_SEMITONES)
        begins = np.exp(-self._places / BEGINS_SEMITONES)
        self._hand = np.tile(begins / begins.sum() / len(order), (len(order), 1))

    def arrive(self, midi: float, *, slid: bool) -> float:
        """Take the next note; return how likely the hand moved to play it."""
        fits = self._fits(midi)
        on_string = self._hand if slid else self._cross.T @ self._hand
        near = (on_string @ self._near) * fits * (SLIDE_STILL if slid else 1.0)
        far = (on_string @ self._far) * fits * (SLIDE_MOVING if slid else 1.0)
        total = float(near.sum() + far.sum())
        if total <= 0.0:  # a note no hand on these strings can play: anything may follow
            self._tabulate()
            return 0.0
        self._hand = (near + far) / total
        return float(far.sum()) / total

    def _fits(self, midi: float) -> Floats:
        """How well each string and place of the hand can play the note; (strings, places)."""
        finger = np.rint(midi - self._strings)[:, None]
        inside = (finger >= self._places) & (finger <= self._places + self._frame)
        stretched = (finger == self._places - 1) | (finger == self._places + self._frame + 1)
        fits = np.where(inside, 1.0, np.where(stretched, EXTENSION, 0.0)) * self._stays
        opened = OPEN * (self._frame + 1)
        return np.where(finger == 0, opened, np.where(finger < 0, 0.0, fits))


def _normalised(weights: Floats) -> Floats:
    return np.asarray(weights / weights.sum(1, keepdims=True))
