"""The pedals, pure: raw contact edges with their times go in, gestures come out.

A board of two has left and right, and both together stand for the middle pedal; striking out and
pausing are then out of reach of the foot. On a board of four the fourth pedal stands for left and
right together. Gestures always speak of the board of three.

Debouncing rests on one rule: a press counts at once, a release only when the contact has stayed
open for ``debounce_s``. So no press, however short, is lost, and contact noise during a press or
at its end stays part of that one press. What came of a press follows from the edge times alone,
never from how often :meth:`Pedalboard.tick` is called.
"""

from dataclasses import dataclass
from enum import StrEnum

from appliance.settings import PedalSettings
from appliance.vocabulary import Call


class Pedal(StrEnum):
    """A footswitch, by its place on the floor."""

    LEFT = "left"
    MIDDLE = "middle"
    RIGHT = "right"
    FOURTH = "fourth"


def pedals_of_board(count: int) -> tuple[Pedal, ...]:
    """Return the pedals of a board of two, three or four."""
    return (Pedal.LEFT, Pedal.RIGHT, Pedal.MIDDLE, Pedal.FOURTH)[:count]


class Kind(StrEnum):
    """How long a gesture was."""

    TAP = "tap"  # known at its release
    HOLD = "hold"  # known when it has lasted ``hold_s``


class Heard(StrEnum):
    """What can be heard of the drone; it alone decides what a pedal does."""

    SILENT = "silent"  # the one-second preview counts as silent
    SOUNDING = "sounding"
    WITHOUT = "without"  # faded out for practice without help; counts as sounding


class Action(StrEnum):
    """What a gesture asks for."""

    NOTE_DOWN = "drone note a semitone down"
    NOTE_UP = "drone note a semitone up"
    OCTAVE_DOWN = "drone note an octave down"
    OCTAVE_UP = "drone note an octave up"
    KEEP_NOTE = "keep the note just played as the drone note"
    START_DRONE = "start the drone"
    STOP_DRONE = "stop the drone"
    CALL_FLAT = "call the note just played flat"
    CALL_IN_TUNE = "call the note just played in tune"
    CALL_SHARP = "call the note just played sharp"
    BEGIN_OR_END_ROUND = "begin or end a round on the arrival just played"
    GO_WITHOUT = "go on without the drone"
    BRING_BACK = "bring the drone back"
    STRIKE_OUT = "strike out the last note"
    PAUSE_OR_RESUME = "pause or resume the log"


# Actions that choose another drone note, so many semitones away, and those that call a note.
SEMITONES = {
    Action.NOTE_DOWN: -1,
    Action.NOTE_UP: 1,
    Action.OCTAVE_DOWN: -12,
    Action.OCTAVE_UP: 12,
}
CALLS = {
    Action.CALL_FLAT: Call.FLAT,
    Action.CALL_IN_TUNE: Call.IN_TUNE,
    Action.CALL_SHARP: Call.SHARP,
}


@dataclass(frozen=True, slots=True)
class Gesture:
    """A finished tap or a hold, by one pedal or by left and right together.

    ``at_s`` is the moment of decision: the release of a tap, ``hold_s`` after the press of a hold.
    """

    pedals: frozenset[Pedal]
    kind: Kind
    at_s: float


_LEFT = frozenset({Pedal.LEFT})
_MIDDLE = frozenset({Pedal.MIDDLE})
_RIGHT = frozenset({Pedal.RIGHT})
_BOTH = frozenset({Pedal.LEFT, Pedal.RIGHT})
_FOURTH = frozenset({Pedal.FOURTH})

# What pedals stand for, by how many there are.
_STANDS_FOR = {2: {_BOTH: _MIDDLE}, 4: {_FOURTH: _BOTH}}

_Table = dict[tuple[frozenset[Pedal], Kind], Action]

_WHEN_SILENT: _Table = {
    (_LEFT, Kind.TAP): Action.NOTE_DOWN,
    (_RIGHT, Kind.TAP): Action.NOTE_UP,
    (_LEFT, Kind.HOLD): Action.OCTAVE_DOWN,
    (_RIGHT, Kind.HOLD): Action.OCTAVE_UP,
    (_MIDDLE, Kind.TAP): Action.KEEP_NOTE,
    (_MIDDLE, Kind.HOLD): Action.START_DRONE,
    (_BOTH, Kind.HOLD): Action.PAUSE_OR_RESUME,
}

_WHEN_SOUNDING: _Table = {
    (_LEFT, Kind.TAP): Action.CALL_FLAT,
    (_RIGHT, Kind.TAP): Action.CALL_SHARP,
    (_LEFT, Kind.HOLD): Action.BEGIN_OR_END_ROUND,
    (_RIGHT, Kind.HOLD): Action.GO_WITHOUT,
    (_MIDDLE, Kind.TAP): Action.CALL_IN_TUNE,
    (_MIDDLE, Kind.HOLD): Action.STOP_DRONE,
    (_BOTH, Kind.TAP): Action.STRIKE_OUT,
    (_BOTH, Kind.HOLD): Action.PAUSE_OR_RESUME,
}

_WHEN_WITHOUT: _Table = {**_WHEN_SOUNDING, (_RIGHT, Kind.HOLD): Action.BRING_BACK}

_TABLES: dict[Heard, _Table] = {
    Heard.SILENT: _WHEN_SILENT,
    Heard.SOUNDING: _WHEN_SOUNDING,
    Heard.WITHOUT: _WHEN_WITHOUT,
}


def action_of(gesture: Gesture, heard: Heard) -> Action | None:
    """What ``gesture`` asks for while ``heard`` is what can be heard; ``None``: nothing."""
    return _TABLES[heard].get((gesture.pedals, gesture.kind))


@dataclass(slots=True)
class _Press:
    """One press from its first contact until its release is sure."""

    pressed_s: float
    released_s: float | None = None  # the contact opened then and has not closed since
    spent: bool = False  # has already been part of a gesture


class Pedalboard:
    """Turns presses into gestures; times are seconds on any clock that never runs backwards.

    Left and right are *together* when both are down at once before the first has become a hold;
    they tap when the first of them is released and hold ``hold_s`` after the second was pressed.
    A pedal that stays down for ``stuck_after_s`` is *stuck*: it takes part in nothing until it has
    been up.
    """

    def __init__(self, settings: PedalSettings) -> None:
        """Start with all pedals up."""
        self._hold_s = settings.hold_s
        self._debounce_s = settings.debounce_s
        self._stuck_after_s = settings.stuck_after_s
        self._stands_for = _STANDS_FOR.get(settings.count, {})
        self._down: dict[Pedal, _Press] = {}

    def press(self, pedal: Pedal, at_s: float) -> list[Gesture]:
        """Take a contact that closed at ``at_s``; return what is known by then."""
        gestures = self.tick(at_s)
        if pedal in self._down:
            self._down[pedal].released_s = None  # it had only bounced
        else:
            self._down[pedal] = _Press(at_s)
        return gestures + self.tick(at_s)

    def found_down(self, pedal: Pedal, at_s: float) -> list[Gesture]:
        """Take a contact that was closed when the board was opened: nobody has pressed it yet."""
        self._down[pedal] = _Press(at_s, spent=True)
        return self.tick(at_s)

    def release(self, pedal: Pedal, at_s: float) -> list[Gesture]:
        """Take a contact that opened at ``at_s``; a tap is returned once the release is sure."""
        gestures = self.tick(at_s)
        press = self._down.get(pedal)
        if press is not None and press.released_s is None:
            press.released_s = at_s
        return gestures

    def tick(self, at_s: float) -> list[Gesture]:
        """Return the gestures that have become known by ``at_s``, in order of time.

        Call it at least every 20 ms, so that an answer comes within 100 ms of the decision.
        """
        gestures = self._decide(_BOTH, at_s) if self._together() else []
        for pedal in Pedal:
            if pedal not in _BOTH or not self._together():
                gestures += self._decide(frozenset({pedal}), at_s)
        self._forget_released(at_s)
        return sorted(gestures, key=lambda gesture: gesture.at_s)

    def stuck(self, at_s: float) -> frozenset[Pedal]:
        """The pedals that have been down for too long to be held by a foot."""
        return frozenset(
            pedal
            for pedal, press in self._down.items()
            if press.pressed_s + self._stuck_after_s <= min(at_s, _earliest_release([press]))
        )

    def _together(self) -> bool:
        presses = self._unspent(_BOTH)
        if len(presses) < len(_BOTH):
            return False
        first, second = sorted(press.pressed_s for press in presses)
        return second < min(first + self._hold_s, _earliest_release(presses))

    def _decide(self, pedals: frozenset[Pedal], now_s: float) -> list[Gesture]:
        """The gesture these pedals have made by ``now_s``, if it is known; their press is spent."""
        presses = self._unspent(pedals)
        if not presses:
            return []
        hold_at_s = max(press.pressed_s for press in presses) + self._hold_s
        released_s = _earliest_release(presses)
        if hold_at_s <= min(now_s, released_s):
            kind, at_s = Kind.HOLD, hold_at_s
        elif released_s + self._debounce_s <= now_s:
            kind, at_s = Kind.TAP, released_s
        else:
            return []
        for press in presses:
            press.spent = True
        return [Gesture(self._stands_for.get(pedals, pedals), kind, at_s)]

    def _unspent(self, pedals: frozenset[Pedal]) -> list[_Press]:
        return [p for pedal, p in self._down.items() if pedal in pedals and not p.spent]

    def _forget_released(self, now_s: float) -> None:
        for pedal, press in list(self._down.items()):
            if _earliest_release([press]) + self._debounce_s <= now_s:
                del self._down[pedal]


def _earliest_release(presses: list[_Press]) -> float:
    """The first release among ``presses``; infinity while all are down."""
    return min(float("inf") if p.released_s is None else p.released_s for p in presses)
