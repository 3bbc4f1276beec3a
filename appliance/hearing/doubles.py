"""Double stops: whether a second string sounded with a note, and whether both sound on."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from appliance.hearing.second import BELOW_DB
from appliance.hearing.sketches import NO_PAIR, NoteSketch
from appliance.tuning import off_octave

Floats = NDArray[np.float64]

# Of the note's hops; a second string is seen late and lost early. Of 480 double stops on four
# instruments 7 were given a pitch, and of 640 notes beside ringing strings 2 were taken for double
# stops; with a quarter of the hops 6 and 5.
DOUBLED = 0.27
STRING_LEFT_S = 0.18  # a string that is left takes the other's level with it, and is found anew
SAME_STRINGS_DB = -12.0  # a string that rings on is softer by 10 dB and more
SAME_STRING_CENTS = 50.0
DIES_DB = 1.5  # from the first half to the second; a bowed string keeps its level


def sounds(second: Floats, cents: float) -> bool:
    """Whether the second string is at ``cents`` most of the time.

    ``second`` holds its cents and its power re the first, dB; shape (hops, 2).
    """
    near = np.abs(second[:, 0] - cents) < SAME_STRING_CENTS
    return bool(np.mean(near & (second[:, 1] > SAME_STRINGS_DB)) > 0.5) if len(second) else False


def beside(first: Floats, second: Floats, before: float, own: float) -> Floats:
    """Cents of the second string in the hops in which it was bowed, shape (n,).

    ``first`` holds the cents of the pitch in each hop, NaN where there is none. ``before`` is where
    the last note ended: its string may ring on, and is none. Nor is what lies next to ``own``, the
    note's pitch: a wide vibrato has side bands there. But where that is what was heard beside
    another pitch, the other string was the louder one in that hop.
    """
    swapped = (np.abs(second[:, 0] - own) < SAME_STRING_CENTS) & ~np.isnan(first)
    other = np.stack([np.where(swapped, first, second[:, 0]), second[:, 1]], axis=1)
    next_to_own = np.abs(other[:, 0] - own) < SAME_STRING_CENTS
    heard = other[(second[:, 1] > BELOW_DB) & ~next_to_own]
    return _of_one(heard[~_rings(heard, before), 0])


def _of_one(cents: Floats) -> Floats:
    """Those of the string that is heard most, in any octave; the others are chance."""
    if len(cents) == 0:
        return cents
    apart = np.abs(off_octave(np.subtract.outer(np.unique(cents), cents))) < SAME_STRING_CENTS
    return np.asarray(cents[apart[apart.sum(1).argmax()]])


def _rings(second: Floats, before: float) -> NDArray[np.bool_]:
    """Which rows are the string of the note before, where it is left to itself: it dies away."""
    same = np.abs(second[:, 0] - before) < SAME_STRING_CENTS
    level = second[same, 1]
    half = len(level) // 2
    dies = half > 0 and np.median(level[:half]) - np.median(level[half:]) > DIES_DB
    return same & dies


def doubled(beside: Floats, second: Floats) -> bool:
    """Whether a string that was heard ``beside`` a note makes a double stop of it."""
    return len(beside) >= DOUBLED * max(len(second), 1)


def pair(cents: Floats, beside: Floats) -> tuple[float, float]:
    """Where both strings are, in cents; NaN where one is not to be seen."""
    seen = len(cents) and len(beside)
    return (float(np.median(cents)), float(np.median(beside))) if seen else NO_PAIR


class Outbox:
    """Notes that have ended; a double stop waits until it can no more change its louder string."""

    def __init__(self) -> None:
        self._done: list[NoteSketch] = []
        self._held: NoteSketch | None = None

    def put(self, sketch: NoteSketch) -> None:
        """Take the next note that has ended."""
        held, self._held = self._held, None
        if held is not None and _goes_on(held, sketch):
            sketch = replace(held, end_s=sketch.end_s)
        elif held is not None:
            self._done.append(held)
        if sketch.doubled:
            self._held = sketch
        else:
            self._done.append(sketch)

    def take(self, since_s: float) -> list[NoteSketch]:
        """Give the notes that nothing can be added to by what begins at ``since_s``."""
        held = self._held
        if held is not None and held.end_s is not None and since_s - held.end_s > STRING_LEFT_S:
            self._done.append(held)
            self._held = None
        done, self._done = self._done, []
        return done


def _goes_on(held: NoteSketch, sketch: NoteSketch) -> bool:
    """Whether a double stop still sounds: both strings of it, or the one that was left."""
    assert held.end_s is not None
    if sketch.start_s - held.end_s > STRING_LEFT_S or not len(sketch.cents):
        return False
    own = np.array(sketch.strings if sketch.doubled else [np.median(sketch.cents)])
    apart = np.subtract.outer(held.strings, own)
    near = np.abs(off_octave(apart)) < SAME_STRING_CENTS  # estimators slip there
    return bool(near.any())
