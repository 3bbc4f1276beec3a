"""Which note a call speaks of: the player's own verdict, given by foot; and when it is answered.

A call attaches to the sounding note if it has lasted 0.5 s, else to the last note that ended less
than 8 s ago. Another call on that note replaces it, until two seconds have passed since the call
that stands: then it is final, and due an answer. The log has a call at once, and the last one that
it has on a note counts. Pure: every time is handed in, in seconds of one monotonic clock.
"""

from collections import deque
from dataclasses import dataclass
from enum import StrEnum

from appliance.practice.cues import Cue
from appliance.tuning import CALLED_FROM_CENTS, accepted_calls
from appliance.vocabulary import Call, Instant

ENDED_WITHIN_S = 8.0
SAME_WITHIN_S = 0.2  # a beginning is told twice, on a clock that may be late by a block or two
KEPT_NOTES = 64  # more than can end in the ten seconds that a call reaches back
SOUNDING_FOR_S = 0.5
# An answer at once would spare the ear its work: Swinnen et al. 1990 found that instant results
# harm learning and a few seconds' delay helps.
ANSWERED_AFTER_S = 2.0


class Fate(StrEnum):
    """What becomes of a call, as far as is known when it is given."""

    ATTACHED = "attached"
    FINAL = "the call on this note is final"
    NOTHING = "no note to call"


@dataclass(frozen=True, slots=True)
class Called:
    """A call and when it was given."""

    call: Call
    at: Instant


@dataclass(frozen=True, slots=True)
class Due:
    """A call that is final now and to be answered; ``key`` is its note, if that has ended.

    ``landing_hz`` is what is known of a note that still sounds.
    """

    called: Called
    key: int | None
    landing_hz: float | None


@dataclass(slots=True)
class _Note:
    began_s: float
    landing_hz: float | None = None
    ended_s: float = float("inf")
    key: int | None = None
    called: Called | None = None  # final
    logged: Called | None = None  # as the log has it
    gone: bool = False  # no longer one to speak of

    def spans(self, at_s: float) -> bool:
        """Whether a call at this time speaks of the note while it sounds."""
        return self.began_s + SOUNDING_FOR_S <= at_s < self.ended_s


@dataclass(frozen=True, slots=True)
class Wish:
    """Something asked of *the note just played* at ``at_s``, to be done when it has ended.

    ``began_s`` is when the note began that was known to sound then. Without one it is the last note
    that had ended, or one of which the ear tells only later.
    """

    at_s: float
    began_s: float | None

    def is_of(self, began_s: float, ended_s: float) -> bool:
        """Whether a note that has ended is the one that was meant, or a later one than known."""
        if self.began_s is not None:
            return abs(began_s - self.began_s) < SAME_WITHIN_S
        return began_s + SOUNDING_FOR_S <= self.at_s or ended_s <= self.at_s

    def after(self, ended_s: float) -> "Wish":
        """The same once the note that seemed to sound is known to have ended by then."""
        return Wish(self.at_s, None) if ended_s <= self.at_s else self

    def is_past(self, began_s: float) -> bool:
        """Whether a note that was not meant comes after the one that was."""
        return self.began_s is None or began_s > self.began_s


class Calls:
    """Keeps the last notes and the calls that are not final yet.

    The ear tells of a note some tenths of a second after it has begun and ended. So which note a
    call speaks of is settled by their times when it becomes final, not when it is given; until then
    :meth:`to_log` may move it.
    """

    def __init__(self) -> None:
        """Begin without any note."""
        self._notes: deque[_Note] = deque(maxlen=KEPT_NOTES)
        self._waiting: list[Called] = []

    @property
    def sounding(self) -> bool:
        """Whether a note sounds."""
        return any(note.key is None for note in self._notes)

    def speaks_of_sounding(self, at_s: float) -> bool:
        """Whether *the note just played* is one that sounds."""
        return self._sounding_at(at_s) is not None

    def wish(self, at_s: float) -> Wish:
        """Something is asked of the note just played."""
        note = self._sounding_at(at_s)
        return Wish(at_s, None if note is None else note.began_s)

    def sounding_hz(self, at_s: float) -> float | None:
        """The landing of that note, as far as it is known."""
        note = self._sounding_at(at_s)
        return None if note is None else note.landing_hz

    def _sounding_at(self, at_s: float) -> _Note | None:
        note = self._spoken_of(at_s)
        return note if note is not None and note.key is None else None

    def note_landed(self, began_s: float, landing_hz: float | None = None) -> None:
        """A note has begun and sounds; its landing may be known."""
        self._notes.append(_Note(began_s, landing_hz))

    def note_ended(self, key: int, began_s: float, ended_s: float) -> None:
        """A note has ended and is logged under ``key``."""
        begun = [note for note in self._notes if note.key is None and note.began_s < ended_s]
        same = [note for note in begun if abs(note.began_s - began_s) < SAME_WITHIN_S]
        note = same[-1] if same else _Note(began_s)
        for left in begun:  # what began before it and never ended was none
            self._notes.remove(left)
        note.began_s, note.ended_s, note.key = began_s, ended_s, key
        self._notes.append(note)

    def forget(self) -> None:
        """The last note that has ended is no longer one to speak of: struck out, or nobody's."""
        last = max((n for n in self._notes if n.key is not None), key=_ended_s, default=None)
        if last is not None:
            last.gone = True

    def give(self, call: Call, at: Instant) -> Fate:
        """Take a call, in place of one on the same note that is not final yet."""
        note = self._spoken_of(at.monotonic_s)
        if note is None:
            return Fate.NOTHING
        if note.called is not None:
            return Fate.FINAL
        self._waiting.append(Called(call, at))
        return Fate.ATTACHED

    def to_log(self) -> list[tuple[int, Called | None]]:
        """Return what the log does not have yet: keys of notes, and the calls that stand on them.

        ``None`` where the log has a call that turned out to speak of another note. Each comes once.
        """
        entries = []
        for note in self._notes:
            stands = note.called or self._last_on(note)
            if note.key is not None and not note.gone and stands is not note.logged:
                note.logged = stands
                entries.append((note.key, stands))
        return entries

    def due(self, at_s: float) -> Due | None:
        """The next call whose two seconds are over at ``at_s``; later if nothing is known yet.

        Each comes once; ask until there is none.
        """
        for called in list(self._waiting):
            note = self._spoken_of(called.at.monotonic_s)
            if called.at.monotonic_s + ANSWERED_AFTER_S > at_s:
                continue
            if note is not None and note.key is None and note.landing_hz is None:
                continue
            replaced = note is not None and self._last_on(note) is not called
            self._waiting.remove(called)
            if note is not None and note.called is None and not replaced:
                note.called = called
                return Due(called, note.key, note.landing_hz)
        return None

    def _last_on(self, note: _Note) -> Called | None:
        """The last call on a note that is not final yet."""
        on_it = [one for one in self._waiting if self._spoken_of(one.at.monotonic_s) is note]
        return on_it[-1] if on_it else None

    def _spoken_of(self, at_s: float) -> _Note | None:
        sounding = [note for note in self._notes if note.spans(at_s)]
        ended = [note for note in self._notes if note.ended_s <= at_s]
        note = sounding[-1] if sounding else max(ended, key=_ended_s, default=None)
        if note is None or note.gone or at_s - note.ended_s >= ENDED_WITHIN_S:
            return None
        return note


def _ended_s(note: _Note) -> float:
    return note.ended_s


def answer_to(call: Call, landing_cents: float, band_cents: float) -> Cue:
    """Return the answer to a call on a landing so far off its target, sharp positive."""
    if call in accepted_calls(landing_cents, band_cents):
        return Cue.AGREES
    if abs(landing_cents) < CALLED_FROM_CENTS:
        return Cue.WAS_IN_TUNE
    return Cue.WAS_SHARP if landing_cents > 0 else Cue.WAS_FLAT
