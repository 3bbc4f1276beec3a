"""A listener who knows exactly how the passages of ``tests/fingering.py`` are drawn.

It hears what any listener hears, pitches and slides, and computes how likely the hand moved: by
Bayes' rule, over every string, place and finger, with the true shares of every habit. Nobody can
tell more from the sound. So where it is sure the sound decides, and where it is not the sound does
not, whoever listens.
"""

import numpy as np
from numpy.typing import NDArray

from appliance.instruments import INSTRUMENTS
from appliance.vocabulary import Arrival
from tests.fingering import (
    CROSSES,
    FINGER_SLIDES,
    FIRST_PLACE,
    HANDS,
    HIGHEST_PLACE,
    LEAST_MOVE,
    LOW_PLACES,
    MOVES_ACROSS,
    MOVES_ALONG,
    NEIGHBOURS,
    OPENS,
    OPENS_THE_SAME,
    SLIDES,
    STILL,
    STRETCHED,
    Fingered,
)

Shares = NDArray[np.float64]


class InformedListener:
    """Follows one passage."""

    def __init__(self, name: str) -> None:
        self._strings, self._hand = INSTRUMENTS[name].strings, HANDS[name]
        places = np.arange(1, HIGHEST_PLACE + 1)
        moves = np.abs(np.subtract.outer(places, places)) >= LEAST_MOVE.get(name, 1)
        self._moves = _rows(np.where(moves, np.exp(-places / LOW_PLACES), 0.0))
        apart = np.abs(np.subtract.outer(*2 * [np.arange(len(self._strings))]))
        self._crosses = _rows(np.array(NEIGHBOURS)[apart])
        self._leaps = _rows((apart > 0).astype(float))
        self._stopped = np.zeros((len(self._strings), HIGHEST_PLACE))  # a finger is down
        self._stopped[:, FIRST_PLACE - 1] = 1.0
        self._open = np.zeros_like(self._stopped)
        self._begun = False

    def hear(self, note: Fingered) -> float:
        """Take the next note; return how likely the hand moved to play it."""
        pitch, slid = round(note.midi), note.arrival is Arrival.SLIDE
        under = self._under(pitch)
        if not self._begun:
            self._begun, self._stopped = True, _all(self._stopped * under)
            return 0.0
        opened = np.equal(self._strings, pitch)[:, None].astype(float)
        still_stopped, still_open, moved = self._slid() if slid else self._unslid()
        still_stopped, still_open, moved = still_stopped * under, still_open * opened, moved * under
        total = float((still_stopped + still_open + moved).sum())
        self._stopped, self._open = (still_stopped + moved) / total, still_open / total
        return float(moved.sum()) / total

    def _slid(self) -> tuple[Shares, Shares, Shares]:
        """Shares of what may follow a hand if a slide is heard: still, opened, moved."""
        still = STILL * FINGER_SLIDES * self._stopped
        return still, 0.0 * still, MOVES_ALONG * SLIDES * self._stopped @ self._moves

    def _unslid(self) -> tuple[Shares, Shares, Shares]:
        both = self._stopped + self._open
        crossed = self._crosses.T @ both
        still = STILL * ((1 - FINGER_SLIDES) * self._stopped + self._open) + CROSSES * crossed
        opened = OPENS * (OPENS_THE_SAME * both + (1 - OPENS_THE_SAME) * crossed)
        along = MOVES_ALONG * ((1 - SLIDES) * self._stopped + self._open) @ self._moves
        return still, opened, along + MOVES_ACROSS * (self._leaps.T @ both) @ self._moves

    def _under(self, pitch: int) -> Shares:
        """How likely a hand on each string and place puts down the finger of that pitch."""
        finger = np.subtract.outer(pitch - np.array(self._strings), np.arange(1, HIGHEST_PLACE + 1))
        likely = np.zeros(finger.shape)
        for share, reach in zip((1 - STRETCHED, STRETCHED), self._hand, strict=True):
            likely += np.where((finger >= 0) & (finger <= reach), share / (reach + 1), 0.0)
        return likely


def _rows(weights: Shares) -> Shares:
    return np.asarray(weights / weights.sum(1, keepdims=True))


def _all(weights: Shares) -> Shares:
    return np.asarray(weights / weights.sum())
