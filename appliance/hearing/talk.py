"""Talk has pitch, too, and is no music: its pitch never stands still, and no syllable lasts.

Of 120 syllables that had passed for notes (espeak-ng, four languages) 115 moved by more than 150
cents a second, the median over the syllable, and none lasted 0.6 s. Recorded tones of 0.12 to 0.5 s
without vibrato, detached and legato, moved by at most 130 on violin, viola and cello, and by 170 on
one double bass note under a drone; vibrato comes back to where it was.
"""

from collections import deque

import numpy as np
from numpy.typing import NDArray

from appliance.hearing.landings import fit_swings
from appliance.hearing.pitch import HOP_S
from appliance.hearing.sketches import NoteSketch

Floats = NDArray[np.float64]

LASTS_S = 0.75  # no syllable lasts so long on one pitch
SCRAPS = 0.5  # of its time
STILL_CENTS_S = 140.0
OVER_FRAMES = 3  # 30 ms
FEWEST_FRAMES = 6  # less has no pitch that could stand still
VIBRATO_HZ = np.arange(4.5, 8.1, 0.5)
VIBRATO_FRAMES = 20  # one cycle at 5 Hz
VIBRATO_SHARE = 0.85  # of the movement
VIBRATO_DRIFT_CENTS_S = 60.0
VIBRATO_CENTS = 40.0
TALK_S = 3.0  # so long after two syllables a short note is one more
SYLLABLES = 2
# A note too short for a landing counts where it is one of several, as in a scale played too fast.
# By itself it is a knock, a squeak or a word: of 18 that had passed in 48 minutes of talk, 14 were.
SHORT_S = 0.4
COMPANY_S = 0.5  # from the end of the note before
# An electronic metronome's beeps were heard as notes of 0.10 to 0.12 s, at 125 a minute with 0.38 s
# between them; notes so short that a player means are a run, and follow each other at once.
BEEP_S, BEEP_COMPANY_S = 0.15, 0.2


class Talk:
    """Tells talk from notes, one after the other; streaming."""

    def __init__(self) -> None:
        self._syllables_s: deque[float] = deque([-np.inf] * SYLLABLES, maxlen=SYLLABLES)
        self._left_over_s = -np.inf  # when what talk had left of a drone last ended
        self._ended_s = -np.inf  # when what was no syllable last ended

    def heard(self, sketch: NoteSketch) -> bool:
        """Take the next note that has ended; whether it was a syllable."""
        if _too_long(sketch):
            return len(sketch.cents) < FEWEST_FRAMES
        if restless(sketch):
            self._syllables_s.append(sketch.start_s)
            return True
        return sketch.start_s - self._syllables_s[0] < TALK_S

    def disturbs(self, sketch: NoteSketch) -> bool:
        """Whether somebody talked so shortly before that this may be left of the drone."""
        return sketch.start_s - max(self._syllables_s[-1], self._left_over_s) < TALK_S

    def left_over(self, sketch: NoteSketch) -> None:
        """Take what turned out to be that; the room is learned again only when it ends."""
        assert sketch.end_s is not None
        if self.disturbs(sketch):
            self._left_over_s = sketch.end_s

    def alone(self, sketch: NoteSketch) -> bool:
        """Take the next that was no syllable; whether it is short and none came just before it."""
        assert sketch.end_s is not None
        before_s, self._ended_s = self._ended_s, sketch.end_s
        beep = sketch.end_s - sketch.start_s < BEEP_S
        company_s = BEEP_COMPANY_S if beep else COMPANY_S
        return not _lasts(sketch, SHORT_S) and sketch.start_s - before_s > company_s


def _lasts(sketch: NoteSketch, seconds: float) -> bool:
    """Whether its own pitch is heard to its end: what followed may have been taken for it."""
    return len(sketch.time_s) > 0 and sketch.time_s[-1] - sketch.start_s >= seconds


def _too_long(sketch: NoteSketch) -> bool:
    """Whether it lasts longer than any syllable, and is not several that were taken for one note:
    then its pitch comes in scraps.
    """
    if not _lasts(sketch, LASTS_S):
        return False
    lasted_s = float(sketch.time_s[-1]) - sketch.start_s
    return len(sketch.time_s) * HOP_S >= SCRAPS * lasted_s


def restless(sketch: NoteSketch) -> bool:
    """Whether a sketch that is short, or in scraps, moves all the time, and not as vibrato does."""
    cents, time_s = sketch.cents, sketch.time_s
    if _too_long(sketch):
        return False
    if len(cents) < FEWEST_FRAMES:
        return True
    moved = np.abs(cents[OVER_FRAMES:] - cents[:-OVER_FRAMES])
    speed = float(np.median(moved / (time_s[OVER_FRAMES:] - time_s[:-OVER_FRAMES])))
    return speed > STILL_CENTS_S and not _swings(time_s, cents)


def _swings(time_s: Floats, cents: Floats) -> bool:
    """Whether a sinusoid at a vibrato's rate, and no drift, explains the movement."""
    if len(cents) < VIBRATO_FRAMES:
        return False
    total = float(np.sum((cents - cents.mean()) ** 2)) + 1e-9
    fits, left = fit_swings(time_s, cents, VIBRATO_HZ)
    small = np.abs(fits[:, 1]) < VIBRATO_DRIFT_CENTS_S
    small &= np.hypot(fits[:, 2], fits[:, 3]) < VIBRATO_CENTS
    return bool((small & (1 - left / total > VIBRATO_SHARE)).any())
