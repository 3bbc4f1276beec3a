"""The drone as it is sent: phase and volume of its partials, and whether it is still the same."""

import numpy as np
from numpy.typing import NDArray

from appliance.hearing.sent import SentDrone, fit

Floats = NDArray[np.float64]
Gains = NDArray[np.complex128]

CHANGED = 10 ** (-30 / 10)  # share of the sent power that the known drone may leave
STEADY_VOLUME = 0.02  # a faster change in one step is a fade
CHECK_S = 1.0  # when the drone's frequency is first sharpened
CHECK_AGAIN_S = 64.0  # the longest pause between two times
CHANGED_STEPS = 4  # sustained: a cue is shorter


class Sending:
    """Follows what is sent, chunk by chunk.

    Parameters
    ----------
    drone : as recognised
    sent : the last stretch of what was sent, shape (n,); the next chunk follows it
    rate_hz : sample rate
    step : samples in a step
    steps : steps in a chunk

    Attributes
    ----------
    changed : whether another drone is sent, or none
    turns : cycles per sample of each partial, shape (K,)
    phase : cycles of each partial at the next sample, shape (K,)
    scale : volume re the level at which the drone was recognised
    """

    def __init__(
        self, drone: SentDrone, sent: Floats, rate_hz: float, step: int, steps: int
    ) -> None:
        self.changed, self.scale = False, 1.0
        self.turns = drone.partial_hz / rate_hz
        self.phase = np.zeros(len(self.turns))
        self._step, self._rate_hz = step, rate_hz
        self._starts = step * np.arange(steps)[:, None]
        self._gains = self._fit(sent)
        phase = 2 * np.pi * np.outer(np.arange(step), self.turns)
        turning = np.vstack([np.cos(phase).T, -np.sin(phase).T])  # (2K, step)
        self._turning = turning.astype(np.float32)  # 24 bits are 80 dB more than is removed
        self._other = 0
        self._steps = self._checked_at = 0
        self._check_at = int(CHECK_S * rate_hz / step)

    def _fit(self, sent: Floats) -> Gains:
        """Gains of what is sent, where ``sent`` ends at the next sample."""
        gains = fit(sent, self.turns)
        return np.asarray(gains * np.exp(2j * np.pi * (self.turns * len(sent) - self.phase)))

    def sound(self, gains: Gains) -> NDArray[np.float32]:
        """The sum of partials over one step, for gains of shape (…, K); shape (…, step)."""
        parts = np.concatenate([gains.real, gains.imag], axis=-1)
        return np.asarray(parts.astype(np.float32) @ self._turning)

    def phases(self) -> Floats:
        """Cycles of each partial at the beginning of each step of this chunk, shape (steps, K)."""
        return np.asarray(self.phase + self.turns * self._starts)

    def compare(self, sent: Floats, here: Gains) -> tuple[Floats, NDArray[np.bool_]]:
        """Follow the volume of ``sent``, shape (steps, step): its scale in each step, and whether
        it is this drone, and not changing.

        ``here`` are the partials at the beginning of each step, shape (steps, K).
        """
        known = self.sound(self._gains * here)
        power = np.einsum("ij,ij->i", known, known)
        scales = np.einsum("ij,ij->i", sent, known) / power
        rest = sent - scales[:, None] * known
        fits = np.einsum("ij,ij->i", rest, rest) <= CHANGED * np.einsum("ij,ij->i", sent, sent)
        before = np.concatenate([[self.scale], scales[:-1]])
        still = np.abs(scales - before) < STEADY_VOLUME * np.abs(before)
        for same in fits:
            self._other = 0 if same else self._other + 1
            self.changed = self.changed or self._other >= CHANGED_STEPS
        self.scale = float(scales[-1])
        return scales, fits & still

    def advance(self) -> None:
        """Go on to the next chunk."""
        steps = len(self._starts)
        self.phase = np.mod(self.phase + self.turns * (self._step * steps), 1.0)
        self._steps += steps

    @property
    def seconds(self) -> float:
        """How long this drone has been followed."""
        return self._steps * self._step / self._rate_hz

    def check_pitch(self, sent: Floats) -> float:
        """Sharpen the drone's frequency by the phase that has slipped since the last time; return
        by which share it was changed.

        Due after 1, 4, 16, 64 s and every 64 s from then on; between two checks the phase of the
        highest partial slips by far less than half a turn.
        """
        if self._steps < self._check_at:
            return 0.0
        passed = (self._steps - self._checked_at) * self._step
        self._checked_at = self._steps
        self._check_at += min(3 * self._check_at, int(CHECK_AGAIN_S * self._rate_hz / self._step))
        slip = np.angle(self._fit(sent) * np.conj(self._gains)) / (2 * np.pi)
        weight = np.abs(self._gains) ** 2
        order = self.turns / self.turns[0]
        common = float((weight * order * slip).sum() / (weight * order**2).sum())
        self.phase += common * order
        change = common / passed / float(self.turns[0])
        self.turns = self.turns * (1 + change)
        return change
