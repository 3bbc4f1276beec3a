"""Which note a call speaks of: the player's own verdict, given by foot; and when it is answered.

A call attaches to the sounding note if it has lasted 0.5 s, else to the last note that ended less
than 8 s ago. Another call on that note replaces it, until two seconds have passed since the call
that stands: then it is final, and due an answer. Pure: every time is handed in, in seconds of one
monotonic clock.
"""

from dataclasses import dataclass
from enum import StrEnum

from appliance.practice.cues import Cue
from appliance.tuning import CALLED_FROM_CENTS, accepted_calls
from appliance.vocabulary import Call, Instant

ENDED_WITHIN_S = 8.0
SOUNDING_FOR_S = 0.5
# An answer at once would spare the ear its work: Swinnen et al. 1990 found that instant results
# harm learning and a few seconds' delay helps.
ANSWERED_AFTER_S = 2.0


class Fate(StrEnum):
    """What became of a call."""

    ATTACHED = "attached"
    FINAL = "the call on this note is final"
    NOTHING = "no note to call"


@dataclass(frozen=True, slots=True)
class Given:
    """An accepted or refused call; ``key`` is the ended note to write it to, if there is one.

    An attached call without a key belongs to the sounding note and comes back from
    :meth:`Calls.note_ended`.
    """

    fate: Fate
    key: int | None = None


@dataclass(frozen=True, slots=True)
class Called:
    """A call and when it was given."""

    call: Call
    at: Instant


@dataclass(frozen=True, slots=True)
class Due:
    """A call that is to be answered now; ``key`` is its note if that has ended.

    ``landing_hz`` is what is known of a note that still sounds.
    """

    call: Call
    key: int | None
    landing_hz: float | None


@dataclass(slots=True)
class _Note:
    began_s: float
    landing_hz: float | None = None
    ended_s: float | None = None
    key: int | None = None
    called: Called | None = None
    answered: bool = False


class Calls:
    """Keeps the sounding notes and the last one, and attaches calls to them."""

    def __init__(self) -> None:
        """Begin without any note."""
        self._sounding: list[_Note] = []  # two for a moment, when one lands before the other ends
        self._last: _Note | None = None
        self._waiting: _Note | None = None  # its call has not been answered yet

    @property
    def sounding(self) -> bool:
        """Whether a note sounds."""
        return bool(self._sounding)

    def speaks_of_sounding(self, at_s: float) -> bool:
        """Whether *the note just played* is the one that sounds."""
        note = self._spoken_of(at_s)
        return note is not None and note.ended_s is None

    def note_landed(self, began_s: float, landing_hz: float | None = None) -> None:
        """A note has begun and sounds; its landing may be known."""
        self._sounding.append(_Note(began_s, landing_hz))

    def note_ended(self, key: int, began_s: float, ended_s: float) -> Called | None:
        """A note has ended and is logged under ``key``; return the call it got while it sounded."""
        note = next((n for n in reversed(self._sounding) if n.began_s < ended_s), _Note(began_s))
        self._sounding = [n for n in self._sounding if n.began_s > note.began_s]
        note.key, note.ended_s = key, ended_s
        self._last = note
        return note.called

    def forget(self) -> None:
        """The last note is no longer one to speak of: it is struck out, or nobody's."""
        if self._last is not None and self._waiting is self._last:
            self._waiting = None
        self._last = None

    def give(self, call: Call, at: Instant) -> Given:
        """Attach a call, or say why it cannot be."""
        at_s = at.monotonic_s
        note = self._spoken_of(at_s)
        if note is None:
            return Given(Fate.NOTHING)
        if note.answered or (note.called is not None and at_s >= _due_s(note.called)):
            return Given(Fate.FINAL)
        note.called = Called(call, at)
        self._waiting = note
        return Given(Fate.ATTACHED, note.key)

    def due(self, at_s: float) -> Due | None:
        """The call whose two seconds are over at ``at_s``, once; later if nothing is known yet."""
        note = self._waiting
        if note is None or note.called is None or at_s < _due_s(note.called):
            return None
        if note.key is None and note.landing_hz is None:
            return None
        self._waiting, note.answered = None, True
        return Due(note.called.call, note.key, note.landing_hz)

    def _spoken_of(self, at_s: float) -> _Note | None:
        if self._sounding and at_s - self._sounding[-1].began_s >= SOUNDING_FOR_S:
            return self._sounding[-1]
        last = self._last
        if last and last.ended_s is not None and at_s - last.ended_s < ENDED_WITHIN_S:
            return last
        return None


def _due_s(called: Called) -> float:
    return called.at.monotonic_s + ANSWERED_AFTER_S


def answer_to(call: Call, landing_cents: float, band_cents: float) -> Cue:
    """Return the answer to a call on a landing so far off its target, sharp positive."""
    if call in accepted_calls(landing_cents, band_cents):
        return Cue.AGREES
    if abs(landing_cents) < CALLED_FROM_CENTS:
        return Cue.WAS_IN_TUNE
    return Cue.WAS_SHARP if landing_cents > 0 else Cue.WAS_FLAT
