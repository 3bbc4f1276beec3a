"""Onsets: since when a pitch has stood out, and whether it is another, seen through a drone's rest.

The level of a slow attack drowns in what a loud drone leaves. The attack's own partials lie mostly
elsewhere and stand out long before, so that a note whose pitch is known can be followed back to
where that pitch set in. And where estimators slip to another octave, because of what a drone left
between the partials, everything stands out as it did before.
"""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]

KEPT_ROWS = 64  # 0.64 s: a chunk and the longest attack
NEAR_STEPS = 2  # 30 cents: an attack need not be in tune yet
WAY_STEPS = 1  # on the way from one pitch to another
# Rows are in roots of amplitude. A quarter is -24 dB, a tone's start in silence; what rings on from
# the note before counts as silence.
SET_IN = 0.25
# Of 171 true leaps of octaves and twelfths, with and without a drone, six left both pitches within
# this factor; of 115 leaps that nobody played, 72; most others began or ended in what is no note.
SAME = 1.8


class Onsets:
    """How far the partials of every pitch stood out lately; streaming.

    Parameters
    ----------
    lowest_cents : the first pitch, re 1 Hz
    step_cents : from one pitch to the next
    """

    def __init__(self, lowest_cents: float, step_cents: float) -> None:
        self._lowest_cents, self._step_cents = lowest_cents, step_cents
        self._rows: Floats32 = np.zeros((0, 0), np.float32)
        self._stop = 0  # the hop after the last row

    def put(self, rows: Floats32, stop: int) -> None:
        """Take new rows, shape (hops, pitches); ``stop`` is the hop after the last."""
        kept = self._rows[-KEPT_ROWS:] if len(self._rows) else rows[:0]
        self._rows, self._stop = np.concatenate([kept, rows]), stop

    def same(self, cents: float, before: tuple[int, int], after: tuple[int, int]) -> bool:
        """Whether a pitch stands out ``after`` as it did ``before``; each from a hop to another."""
        was, now = self._line(cents, *before), self._line(cents, *after)
        if not len(was) or not len(now):
            return False
        ratio = float(np.median(now)) / max(float(np.median(was)), 1e-9)
        return 1 / SAME < ratio < SAME

    def set_in(self, cents: float, earliest: int, at: int, now: int) -> int:
        """The hop, from ``earliest`` to ``at``, since which a pitch that sounds now stands out."""
        begin = max(earliest, self._stop - len(self._rows))
        if at <= begin:
            return at
        stands = self._line(cents, begin, now + 1)
        sounds = float(np.median(stands[at - begin :]))
        silence = float(stands[: at - begin].min())
        heard = stands[: at - begin] > silence + SET_IN * (sounds - silence)
        still = np.nonzero(~heard)[0]
        return begin + (int(still[-1]) + 1 if len(still) else 0)

    def lines(self, cents: Floats, begin: int, stop: int) -> Floats:
        """Amplitude with which pitches of shape (n,) stood out; shape (n, stop - begin).

        What is no longer kept counts as what is the oldest.
        """
        kept = max(begin, self._stop - len(self._rows))
        lines = [self._line(pitch, kept, stop, WAY_STEPS) for pitch in cents.tolist()]
        oldest = ((0, 0), (kept - begin, 0))
        return np.pad(np.square(lines, dtype=np.float64), oldest, mode="edge")

    def _line(self, cents: float, begin: int, stop: int, steps: int = NEAR_STEPS) -> Floats32:
        """How far a pitch stood out from hop ``begin`` to before ``stop``, as far as it is kept."""
        first = self._stop - len(self._rows)
        step = round((cents - self._lowest_cents) / self._step_cents)
        near = slice(max(step - steps, 0), max(step + steps + 1, 1))
        rows = self._rows[max(begin - first, 0) : max(stop - first, 0), near]
        return np.asarray(np.max(rows, axis=1, initial=0.0), np.float32)
