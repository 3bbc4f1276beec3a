"""Which note a call speaks of: the player's own verdict, given by foot.

A call attaches to the sounding note if it has lasted 0.5 s, else to the last note that ended less
than 8 s ago. Another call replaces it for two seconds, then it is final. Pure: every time is
handed in, in seconds of one monotonic clock.
"""

from dataclasses import dataclass
from enum import StrEnum

from appliance.vocabulary import Call, Instant

ENDED_WITHIN_S = 8.0
SOUNDING_FOR_S = 0.5
REPLACED_WITHIN_S = 2.0


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


@dataclass(slots=True)
class _Note:
    began_s: float
    ended_s: float | None = None
    key: int | None = None
    called: Called | None = None
    first_called_s: float | None = None


class Calls:
    """Keeps the sounding notes and the last one, and attaches calls to them."""

    def __init__(self) -> None:
        """Begin without any note."""
        self._sounding: list[_Note] = []  # two for a moment, when one lands before the other ends
        self._last: _Note | None = None

    @property
    def sounding(self) -> bool:
        """Whether a note sounds."""
        return bool(self._sounding)

    def note_landed(self, began_s: float) -> None:
        """A note has begun and sounds."""
        self._sounding.append(_Note(began_s))

    def note_ended(self, key: int, began_s: float, ended_s: float) -> Called | None:
        """A note has ended and is logged under ``key``; return the call it got while it sounded."""
        note = next((n for n in reversed(self._sounding) if n.began_s < ended_s), _Note(began_s))
        self._sounding = [n for n in self._sounding if n.began_s > note.began_s]
        note.key, note.ended_s = key, ended_s
        self._last = note
        return note.called

    def give(self, call: Call, at: Instant) -> Given:
        """Attach a call, or say why it cannot be."""
        at_s = at.monotonic_s
        note = self._spoken_of(at_s)
        if note is None:
            return Given(Fate.NOTHING)
        if note.first_called_s is None:
            note.first_called_s = at_s
        elif at_s - note.first_called_s >= REPLACED_WITHIN_S:
            return Given(Fate.FINAL)
        note.called = Called(call, at)
        return Given(Fate.ATTACHED, note.key)

    def _spoken_of(self, at_s: float) -> _Note | None:
        if self._sounding and at_s - self._sounding[-1].began_s >= SOUNDING_FOR_S:
            return self._sounding[-1]
        last = self._last
        if last and last.ended_s is not None and at_s - last.ended_s < ENDED_WITHIN_S:
            return last
        return None
