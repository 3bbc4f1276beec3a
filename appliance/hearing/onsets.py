"""Onsets: since when a pitch has stood out, seen through what may be left of a drone.

The level of a slow attack drowns in what a loud drone leaves. The attack's own partials lie mostly
elsewhere and stand out long before, so that a note whose pitch is known can be followed back to
where that pitch set in.
"""

import numpy as np
from numpy.typing import NDArray

Floats32 = NDArray[np.float32]

KEPT_ROWS = 64  # 0.64 s: a chunk and the longest attack
NEAR_STEPS = 2  # 30 cents: an attack need not be in tune yet
# Rows are in roots of amplitude. A quarter is -24 dB, a tone's start in silence; what rings on from
# the note before counts as silence.
SET_IN = 0.25


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

    def set_in(self, cents: float, earliest: int, at: int, now: int) -> int:
        """The hop, from ``earliest`` to ``at``, since which a pitch that sounds now stands out."""
        first = self._stop - len(self._rows)
        begin = max(earliest, first)
        step = round((cents - self._lowest_cents) / self._step_cents)
        near = slice(max(step - NEAR_STEPS, 0), max(step + NEAR_STEPS + 1, 1))
        line = self._rows[begin - first : now + 1 - first, near]
        if at <= begin or line.size == 0:
            return at
        stands = np.maximum(line.max(1), 0.0)
        sounds = float(np.median(stands[at - begin :]))
        silence = float(stands[: at - begin].min())
        heard = stands[: at - begin] > silence + SET_IN * (sounds - silence)
        still = np.nonzero(~heard)[0]
        return begin + (int(still[-1]) + 1 if len(still) else 0)
