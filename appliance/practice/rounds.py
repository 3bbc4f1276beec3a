"""Rounds: repeated tries at one arrival, until enough in a row land. Pure.

What counts as a try is decided here and nowhere else. A note is a try when it settles within a
semitone of the round's target and its landing within 1.5 semitones (a landing may lie that far from
the note that was meant), is no repeat, and starts in one of three ways: from the round's first
note, from silence, or afresh after another try. Whatever else is played between tries, wrong notes
and stops among it, changes nothing: a note that was misheard can neither end a round nor spoil it.
"""

from dataclasses import dataclass, field
from enum import StrEnum

from appliance.tuning import Target, cents, error_cents
from appliance.vocabulary import Arrival, HeardNote

SILENCE_S = 1.0  # after so long nothing is left of the note before (as for a repeat)
ARRIVED_WITHIN_S = 3.0  # an arrival has two notes; after a longer rest nobody comes from anywhere
SEMITONE_CENTS = 100.0
LANDING_CENTS = 150.0
LEAD_CENTS = 70.0  # it may be off itself, but not by so much that it is rather another note


class Part(StrEnum):
    """What a note is to a round."""

    TRY = "try"
    LEAD = "lead"  # the first note of the arrival, played to come from


@dataclass(frozen=True, slots=True)
class Goal:
    """The arrival that a round is about: from ``from_hz`` (None: from silence) to the target."""

    from_hz: float | None
    target: Target


@dataclass(frozen=True, slots=True)
class Try:
    """One try: the key of its note, and how far its landing was off, sharp positive."""

    key: int
    landing_cents: float
    landed: bool


def goal_of(note: HeardNote, before: HeardNote | None, target: Target) -> Goal:
    """The arrival at a measured note, from the one before it unless there was a rest between."""
    came_from = before is not None and note.start_s - before.end_s < ARRIVED_WITHIN_S
    return Goal(before.settled_hz if came_from and before is not None else None, target)


@dataclass(slots=True)
class Round:
    """One round; ``needed`` tries in a row inside ``band_cents`` win it.

    :meth:`hear` takes every note played while the round is on, in order, with its key in the log.
    """

    goal: Goal
    needed: int
    band_cents: float
    tries: list[Try] = field(default_factory=list)
    _before: HeardNote | None = None  # the last note whose pitch is known

    @property
    def in_a_row(self) -> int:
        """How many tries have landed since the last one that did not."""
        failed = [number for number, one in enumerate(self.tries, 1) if not one.landed]
        return len(self.tries) - (failed[-1] if failed else 0)

    @property
    def won(self) -> bool:
        """Whether enough tries in a row have landed."""
        return self.in_a_row >= self.needed

    def hear(self, note: HeardNote, key: int) -> Part | None:
        """Take the next note; say what it is to this round."""
        if not note.measurable or note.landing_hz is None or note.settled_hz is None:
            return None
        before, self._before = self._before, note
        if self._is_try(note, before):
            error = error_cents(note.landing_hz, self.goal.target)
            self.tries.append(Try(key, error, abs(error) <= self.band_cents))
            return Part.TRY
        return Part.LEAD if self._is_lead(note) else None

    def strike(self, key: int) -> None:
        """The note under ``key`` is struck out: as a try it never was."""
        self.tries = [one for one in self.tries if one.key != key]

    def _is_try(self, note: HeardNote, before: HeardNote | None) -> bool:
        if note.repeat or self._is_lead(note) or not self._near_target(note):
            return False
        if before is None or note.start_s - before.end_s >= SILENCE_S:
            return True
        if self._is_lead(before):
            return True
        # Slurred from the target to the target it is one note that was heard as two.
        return self._near_target(before) and note.arrival is Arrival.BOW

    def _near_target(self, note: HeardNote) -> bool:
        return (
            _apart(note.settled_hz, self.goal.target) <= SEMITONE_CENTS
            and _apart(note.landing_hz, self.goal.target) <= LANDING_CENTS
        )

    def _is_lead(self, note: HeardNote) -> bool:
        """Whether a note is the one to come from, and not the target a semitone away from it."""
        if note.settled_hz is None or self.goal.from_hz is None:
            return False
        away = abs(cents(note.settled_hz, self.goal.from_hz))
        return away <= LEAD_CENTS and away < _apart(note.settled_hz, self.goal.target)


def _apart(hz: float | None, target: Target) -> float:
    return float("inf") if hz is None else abs(error_cents(hz, target))
