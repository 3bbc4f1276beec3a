"""A player made of numbers: plays a score on a bowed string and calls notes by foot."""

from collections import deque
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from appliance.devices.simulated_score import PlannedNote, Score
from appliance.devices.simulated_string import BowedString
from appliance.practice.pedalboard import Pedal
from appliance.vocabulary import Call

Floats = NDArray[np.float32]

_STARTS_DRONE_S, _HOLD_S, _TAP_S = 0.5, 0.75, 0.15
_STOPS_DRONE_AFTER_S, _LEAVES_AFTER_S = 0.2, 1.5  # once the score is over
_CALL_PEDALS = {Call.FLAT: Pedal.LEFT, Call.IN_TUNE: Pedal.MIDDLE, Call.SHARP: Pedal.RIGHT}


@dataclass(frozen=True, slots=True)
class PedalMove:
    """A foot goes down on a pedal (``down``) or leaves it."""

    pedal: Pedal
    down: bool
    at_s: float


class SimulatedPlayer:
    """Plays one score, once, or again and again when ``endless``."""

    def __init__(
        self,
        score: Score,
        lowest_hz: float,
        sample_rate_hz: float,
        seed: int,
        *,
        endless: bool = False,
    ) -> None:
        """Take up an instrument whose lowest note is ``lowest_hz``; ``seed`` makes the sound.

        The first press starts the drone, and the last one stops it unless ``endless``.
        """
        self._score = score
        self._rate = sample_rate_hz
        self._rng = np.random.default_rng(seed)
        self._string = BowedString(lowest_hz, sample_rate_hz, self._rng)
        self._endless = endless
        self._strokes: deque[tuple[PlannedNote, ...]] = deque()
        self._moves: deque[PedalMove] = deque(_press(Pedal.MIDDLE, _STARTS_DRONE_S, _HOLD_S))
        self._times_played = 0
        self._begin_score()
        if not endless:
            stops_s = score.duration_s + _STOPS_DRONE_AFTER_S
            self._moves += _press(Pedal.MIDDLE, stops_s, _HOLD_S)
        self._frame = 0
        self._ahead = np.zeros(0, np.float32)  # rendered, not yet played

    def sound(self, frames: int) -> Floats:
        """Return the next ``frames`` samples, dry, RMS about 1 while playing; shape (frames,)."""
        end = self._frame + frames
        while self._strokes and self._strokes[0][0].start_s * self._rate < end:
            self._render(self._strokes.popleft())
            if self._endless and not self._strokes:
                self._begin_score()
        self._grow(frames)
        played, self._ahead = self._ahead[:frames], self._ahead[frames:]
        self._frame = end
        return played

    def presses_due(self, now_s: float) -> list[PedalMove]:
        """Return what the feet have done up to ``now_s`` (s) that was not returned before."""
        due = []
        while self._moves and self._moves[0].at_s <= now_s:
            due.append(self._moves.popleft())
        return due

    @property
    def finished(self) -> bool:
        """Whether the score is over and the player has left; never when endless."""
        leaves_s = self._score.duration_s + _LEAVES_AFTER_S
        return not self._endless and self._frame >= leaves_s * self._rate

    def _begin_score(self) -> None:
        later_s = self._times_played * self._score.duration_s
        presses: list[tuple[PedalMove, PedalMove]] = []
        for stroke in self._score.slurs():
            notes = tuple(note.later(later_s) for note in stroke)
            self._strokes.append(notes)
            for note in notes:
                if note.call is not None and note.call_at_s is not None:
                    presses.append(_press(_CALL_PEDALS[note.call], note.call_at_s, _TAP_S))
        presses += [_press(hold.pedal, hold.at_s + later_s, _HOLD_S) for hold in self._score.holds]
        for press in sorted(presses, key=lambda moves: moves[0].at_s):
            self._moves += press
        self._times_played += 1

    def _render(self, stroke: tuple[PlannedNote, ...]) -> None:
        begin = round(stroke[0].start_s * self._rate) - self._frame
        sound = self._string.stroke(stroke, self._rng)
        self._grow(begin + sound.size)
        self._ahead[begin : begin + sound.size] += sound

    def _grow(self, frames: int) -> None:
        missing = max(0, frames - self._ahead.size)
        self._ahead = np.concatenate([self._ahead, np.zeros(missing, np.float32)])


def _press(pedal: Pedal, at_s: float, for_s: float) -> tuple[PedalMove, PedalMove]:
    return PedalMove(pedal, True, at_s), PedalMove(pedal, False, at_s + for_s)
