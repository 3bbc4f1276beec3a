"""Passages whose fingering is known: a hand that walks about a fingerboard, note by note.

What the hand does is drawn at random with the habits of an ordinary player (common practice, no
source): most notes lie under the hand where it stands, on the same string or on its neighbour; now
and then a string is played open, or the hand moves, along the string or to another one, low places
before high ones; some moves along a string are heard as a slide, and once in a while a finger
slides while the hand stands. The hand keeps to the neck, an octave up each string, below the thumb
positions.

Each arrival belongs to one case of :class:`Case`, by what a listener could know. Nothing here asks
the ear, or shares its weights.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.random import Generator, default_rng

from appliance.instruments import INSTRUMENTS, Instrument
from appliance.vocabulary import Arrival

# First to fourth finger, semitones: what the hand covers closed, and stretched. Common practice, no
# source.
HANDS = {
    "violin": (5, 5),
    "viola": (5, 5),
    "cello": (3, 4),
    "double-bass": (2, 2),
    "double-bass-in-fifths": (2, 2),
}
# The least move that is a shift: violinists lean back by a semitone in first position.
LEAST_MOVE = {"violin": 2, "viola": 2}
HIGHEST_PLACE = 12  # of the first finger, semitones over the open string
FIRST_PLACE = 2  # in first position
STRETCHED = 0.2  # share of notes for which the hand opens, where it can
LOW_PLACES = 6.0  # places thin out over this distance from the nut, semitones
# What the next note is, of a hundred
STILL, CROSSES, OPENS, MOVES_ALONG, MOVES_ACROSS = 55, 22, 8, 10, 5
NEIGHBOURS = (0.0, 1.0, 0.2, 0.05)  # how often another string, by how far away it lies
OPENS_THE_SAME = 0.4  # share of open strings that are the one just played
SLIDES = 0.5  # share of moves along a string that are heard as a slide
FINGER_SLIDES = 0.01  # share of notes on one string to which a finger slides, the hand standing
OFF_CENTS = 10.0  # how far off players land, standard deviation


class Case(StrEnum):
    """How a note was reached, as far as it matters to one who only listens."""

    SHIFT_SLID = "shift, a slide is heard"
    SHIFT_BEYOND = "shift, no hand could hold both notes"
    SHIFT_OUTSIDE = "shift along a string, outside its frame; other strings have it"
    SHIFT_WITHIN = "shift along a string, within its frame"
    SHIFT_ACROSS = "shift to another string"
    SHIFT_OPEN = "shift during an open string"
    STILL_ON_STRING = "hand still, same string"
    STILL_ACROSS = "hand still, another string"
    STILL_OPEN = "hand still, to or from an open string"
    STILL_SLID = "hand still, a finger slides"


SHIFTS = frozenset(case for case in Case if case.name.startswith("SHIFT"))


@dataclass(frozen=True, slots=True)
class Fingered:
    """One note: pitch (fractional MIDI number), how it was reached, and by what movement.

    ``case`` is ``None`` for the first note of a passage, and for the same pitch once more.
    """

    midi: float
    arrival: Arrival
    case: Case | None


@dataclass(frozen=True, slots=True)
class _Hand:
    """A string (0 the lowest), the first finger's place over it, and a finger's; 0 is open."""

    string: int
    place: int
    finger: int


class Passages:
    """Draws passages for one instrument."""

    def __init__(self, name: str, seed: int) -> None:
        """Take a string instrument by its name."""
        self.instrument: Instrument = INSTRUMENTS[name]
        self._closed, self._stretched = HANDS[name]
        self._least_move = LEAST_MOVE.get(name, 1)
        self._chance: Generator = default_rng(seed)

    def passage(self, notes: int) -> list[Fingered]:
        """Return one passage, begun in first position."""
        hand = self._under(self._string(), FIRST_PLACE)
        played = [Fingered(self._midi(hand), Arrival.BOW, None)]
        for _ in range(notes - 1):
            after, arrival = self._next(hand)
            played.append(Fingered(self._midi(after), arrival, self._case(hand, after, arrival)))
            hand = after
        return played

    def _next(self, hand: _Hand) -> tuple[_Hand, Arrival]:
        moves = (self._still, self._cross, self._open, self._move_along, self._move_across)
        shares = np.array([STILL, CROSSES, OPENS, MOVES_ALONG, MOVES_ACROSS]) / 100
        return moves[self._chance.choice(len(moves), p=shares)](hand)

    def _still(self, hand: _Hand) -> tuple[_Hand, Arrival]:
        after = self._under(hand.string, hand.place)
        slid = hand.finger and after.finger and self._chance.random() < FINGER_SLIDES
        return after, Arrival.SLIDE if slid else self._unslid()

    def _cross(self, hand: _Hand) -> tuple[_Hand, Arrival]:
        return self._under(self._string(hand.string), hand.place), self._unslid()

    def _open(self, hand: _Hand) -> tuple[_Hand, Arrival]:
        string = (
            hand.string if self._chance.random() < OPENS_THE_SAME else self._string(hand.string)
        )
        return _Hand(string, hand.place, 0), self._unslid()

    def _move_along(self, hand: _Hand) -> tuple[_Hand, Arrival]:
        after = self._under(hand.string, self._place(hand.place))
        slid = hand.finger and self._chance.random() < SLIDES
        return after, Arrival.SLIDE if slid else self._unslid()

    def _move_across(self, hand: _Hand) -> tuple[_Hand, Arrival]:
        """Leap: a hand that is lifted may come down on any other string."""
        others = [at for at in range(len(self.instrument.strings)) if at != hand.string]
        string = int(self._chance.choice(others))
        return self._under(string, self._place(hand.place)), self._unslid()

    def _under(self, string: int, place: int) -> _Hand:
        """Put down one of the fingers of a hand that stands there."""
        reach = self._stretched if self._chance.random() < STRETCHED else self._closed
        return _Hand(string, place, place + int(self._chance.integers(reach + 1)))

    def _place(self, before: int) -> int:
        """Choose another place."""
        places = np.arange(1, HIGHEST_PLACE + 1)
        other = np.abs(places - before) >= self._least_move
        weights = np.where(other, np.exp(-places / LOW_PLACES), 0.0)
        return int(self._chance.choice(places, p=weights / weights.sum()))

    def _string(self, before: int | None = None) -> int:
        """Choose a string, another one than before: mostly a neighbour."""
        strings = np.arange(len(self.instrument.strings))
        if before is None:
            return int(self._chance.choice(strings))
        weights = np.array(NEIGHBOURS)[np.abs(strings - before)]
        return int(self._chance.choice(strings, p=weights / weights.sum()))

    def _unslid(self) -> Arrival:
        return Arrival.STEP if self._chance.random() < 0.4 else Arrival.BOW

    def _midi(self, hand: _Hand) -> float:
        off = self._chance.normal(0.0, OFF_CENTS / 100) if hand.finger else 0.0
        return self.instrument.strings[hand.string] + hand.finger + float(np.clip(off, -0.4, 0.4))

    def _case(self, before: _Hand, after: _Hand, arrival: Arrival) -> Case | None:
        if self._pitch(before) == self._pitch(after):
            return None
        slid = arrival is Arrival.SLIDE
        if before.place == after.place:
            return self._still_case(before, after, slid=slid)
        return Case.SHIFT_SLID if slid else self._unslid_shift(before, after)

    def _unslid_shift(self, before: _Hand, after: _Hand) -> Case:
        if before.finger == 0:
            return Case.SHIFT_OPEN
        if not self._held_at_once(self._pitch(before), self._pitch(after)):
            return Case.SHIFT_BEYOND
        if before.string != after.string:
            return Case.SHIFT_ACROSS
        outside = abs(after.finger - before.finger) > self._stretched
        return Case.SHIFT_OUTSIDE if outside else Case.SHIFT_WITHIN

    @staticmethod
    def _still_case(before: _Hand, after: _Hand, *, slid: bool) -> Case:
        if slid:
            return Case.STILL_SLID
        if before.finger == 0 or after.finger == 0:
            return Case.STILL_OPEN
        return Case.STILL_ON_STRING if before.string == after.string else Case.STILL_ACROSS

    def _pitch(self, hand: _Hand) -> int:
        return self.instrument.strings[hand.string] + hand.finger

    def _held_at_once(self, *pitches: int) -> bool:
        """Tell whether a hand somewhere on the neck holds all of them, on whatever strings."""
        return any(
            all(self._reaches(place, pitch) for pitch in pitches)
            for place in range(1, HIGHEST_PLACE + 1)
        )

    def _reaches(self, place: int, pitch: int) -> bool:
        """Tell whether a hand standing there has that pitch on any string, open ones too."""
        fingers = (pitch - string for string in self.instrument.strings)
        return any(finger == 0 or place <= finger <= place + self._stretched for finger in fingers)


def passages(name: str, seed: int, count: int, notes: int) -> Iterator[list[Fingered]]:
    """Yield passages for one instrument, each of so many notes; the same for the same seed."""
    drawn = Passages(name, seed)
    for _ in range(count):
        yield drawn.passage(notes)
