"""Microphone block and drone block become a cleaned block: the drone as the room returns it, gone.

The frequency of every partial of the drone is known from what is sent, so the room is one complex
gain for each. The gains are fitted by least squares while the drone is alone, and frozen while the
player sounds: adapting then would take the player for the drone, worst in unison, where ten cents
at 220 Hz need 0.8 s to turn once. Partials that are not sent are fitted too, since small
loudspeakers distort. Where microphone and loudspeaker have two clocks, all partials turn in
proportion to their frequency; that common drift is followed.
"""

from collections import deque
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from appliance.hearing.sent import SentDrone, basis, fit, recognise

Floats = NDArray[np.float64]
Gains = NDArray[np.complex128]

STEP_HOPS = 2  # gains are fitted every 20 ms
FIT_S = 0.2  # the window of a fit: ten steps average the room's noise down by 10 dB
FIT_PERIODS = 6.0  # of the grid: below that its partials do not come apart
RECOGNISE_S = 0.32  # resolves the partials of C1 under an added fifth
SILENT_RMS = 10 ** (-75 / 20)  # the least drone is sent at -60 dB
SMOOTH = 0.06  # share of a new fit: 0.3 s, as slow as people move
ALONE = 10 ** (-18 / 10)  # the drone explains all but this: nobody plays
ALONE_STEPS = 8
CONVERGED_S = 3.0  # at the latest: the gate must close some time, even on a noisy room
GATE_NOISE = 6.0  # times the quiet residual's power: the player sounds
GATE_DRONE = 10 ** (-15 / 10)  # or this share of the drone's power
RELEASE_NOISE = 4.0  # the drone alone explains the window again
RELEASE_STEPS = 3
BACK_STEPS = 4  # the player has sounded for so long when the gate closes
WANDER_STEPS = 25  # 0.5 s: 100 ppm turn the tenth partial of 220 Hz by 40 degrees
LEAST_WANDER = 0.1  # of each gain; a room with a player in it never stands still
# A partial that the room cancels here is there again a step away: what wanders is a share of the
# partials around, not of itself.
NEIGHBOURS = np.ones(5) / 5
CHANGED = 10 ** (-30 / 10)  # share of the sent power that the known drone may leave
STEADY_VOLUME = 0.02  # a faster change in one step is a fade
CHECK_S = 1.0  # when the drone's frequency is first sharpened
CHECK_AGAIN_S = 64.0  # the longest pause between two times
CHANGED_STEPS = 4  # sustained: a cue is shorter
RING_S = 0.5  # how long the room gives back a drone that has stopped
NO_PARTIALS = np.zeros(0)


@dataclass(frozen=True, slots=True)
class Cleaned:
    """One chunk of sound with the drone taken out.

    ``samples`` has shape (hops · samples per hop,). ``partial_hz`` and ``leftover``, shape (K,),
    are the drone's partials and the amplitude that may be left of each. ``blind``, shape (hops,),
    says where the drone is changing, so that nothing can be heard through it. ``quiet_power`` is
    the mean square up to which the samples may hold nothing but what is left of the drone.
    ``alone_hops`` is above 0 where it has just turned out that so many hops, up to the end of this
    chunk, held the drone alone.
    ``drone_hz`` is the root that sounds, ``None`` when silent.
    """

    samples: Floats
    partial_hz: Floats
    leftover: Floats
    blind: NDArray[np.bool_]
    quiet_power: float
    alone_hops: int
    drone_hz: float | None


class Cleaner:
    """Takes the drone out of the microphone, chunk by chunk; streaming.

    Parameters
    ----------
    rate_hz : sample rate of both signals
    hop : samples in a hop
    hops : hops in every chunk handed to :meth:`clean`; a multiple of ``STEP_HOPS``
    """

    def __init__(self, rate_hz: float, hop: int, hops: int) -> None:
        self._rate_hz, self._step, self._steps = rate_hz, hop * STEP_HOPS, hops // STEP_HOPS
        self._sent = np.zeros(int(RECOGNISE_S * rate_hz))
        self._sent_samples = 0  # how much of that belongs to the tone that sounds now
        self._ring = 0  # steps for which the room still gives back an old drone
        self._room: _Room | None = None

    def clean(self, mic: Floats, sent: Floats) -> Cleaned:
        """Clean one chunk; both shapes (hops · hop,)."""
        cleaned = self._untouched(mic, sent) if self._room is None else self._clean(mic, sent)
        self._watch(sent)
        return cleaned

    def _untouched(self, mic: Floats, sent: Floats) -> Cleaned:
        ringing = np.arange(self._steps) < self._ring
        self._ring = max(self._ring - self._steps, 0)
        return self._cleaned(mic, ringing | (not _silent(sent)))

    def _clean(self, mic: Floats, sent: Floats) -> Cleaned:
        assert self._room is not None
        steps = mic.reshape(self._steps, self._step), sent.reshape(self._steps, self._step)
        done = [self._room.clean(*step) for step in zip(*steps, strict=True)]
        blind = np.array([blind for _, blind in done])
        return self._cleaned(np.concatenate([samples for samples, _ in done]), blind)

    def _cleaned(self, samples: Floats, blind: NDArray[np.bool_]) -> Cleaned:
        room = self._room
        return Cleaned(
            samples=samples,
            partial_hz=NO_PARTIALS if room is None else room.drone.partial_hz,
            leftover=NO_PARTIALS if room is None else room.leftover(),
            blind=np.repeat(blind, STEP_HOPS),
            quiet_power=0.0 if room is None else room.quiet_power,
            alone_hops=0 if room is None else room.take_alone_steps() * STEP_HOPS,
            drone_hz=None if room is None else room.drone.root_hz,
        )

    def _watch(self, sent: Floats) -> None:
        """Follow what is sent, until it is known and again when it has changed."""
        self._sent = np.concatenate([self._sent, sent])[-len(self._sent) :]
        self._sent_samples += len(sent)
        silent = _silent(sent)
        if self._room is not None:
            self._room.check_pitch(self._sent)
            if silent or self._room.changed:
                self._lose()
        if silent:
            self._sent_samples = 0
        elif self._room is None and self._sent_samples > len(self._sent):
            self._recognise()

    def _recognise(self) -> None:
        drone = recognise(self._sent, self._rate_hz)
        if drone is not None:
            self._room = _Room(drone, self._sent, self._rate_hz, self._step)

    def _lose(self) -> None:
        """The drone has changed or stopped; the room still rings."""
        self._room, self._sent_samples = None, 0
        self._ring = int(RING_S * self._rate_hz / self._step)


class _Room:
    """One drone in one room: a complex gain per partial, and when they may be learned.

    Gains are counted against the phase of each partial as it is sent: what comes back at sample n
    is Re Σ gain · exp(2πi · phase(n)).
    """

    def __init__(self, drone: SentDrone, sent: Floats, rate_hz: float, step: int) -> None:
        self.drone, self.changed = drone, False
        self._step, self._rate_hz = step, rate_hz
        self._turns = drone.partial_hz / rate_hz  # cycles per sample
        self._phase = np.zeros(len(self._turns))  # cycles, at the next sample
        self._basis = np.exp(2j * np.pi * np.outer(np.arange(step), self._turns))
        window_s = max(FIT_S, FIT_PERIODS / drone.grid_hz)
        self._window = int(np.ceil(window_s * rate_hz / step))
        self._inverse = _inverse(self._turns, self._window * step)
        self._sums: deque[Gains] = deque(maxlen=self._window)
        self._powers: deque[float] = deque(maxlen=self._window)
        self._sent_gains = self._fit_sent(sent)
        self._scale, self._other = 1.0, 0
        self._steps, self._checked_at = 0, 0
        self._check_at = int(CHECK_S * rate_hz / step)
        self._gains: Gains | None = None
        self._recent: deque[tuple[int, Gains]] = deque(maxlen=BACK_STEPS)  # with their step
        self._history: deque[Gains] = deque(maxlen=WANDER_STEPS)
        self._wander = np.full(len(self._turns), LEAST_WANDER**2)
        self._drift, self._slope, self._slope_weight = 0.0, 0.0, 1e-9
        self._noise = 0.0
        self._learned = self._alone = self._quiet = self._alone_steps = 0
        self._gated = self._converged = False

    def leftover(self) -> Floats:
        """Amplitude that may be left of each partial, shape (K,)."""
        if self._gains is None:
            return np.zeros(len(self._turns))
        around = np.convolve(np.abs(self._gains) ** 2, NEIGHBOURS, "same")
        return np.asarray(np.sqrt(self._wander * around) * self._scale)

    @property
    def quiet_power(self) -> float:
        """Mean square that a cleaned step reaches while nobody plays."""
        return max(GATE_NOISE * self._noise, GATE_DRONE * self._drone_power())

    def take_alone_steps(self) -> int:
        """Steps up to now in which the drone was alone, if that has just turned out; else 0."""
        steps, self._alone_steps = self._alone_steps, 0
        return steps

    def _drone_power(self) -> float:
        """Mean square of the drone at the microphone."""
        if self._gains is None:
            return 0.0
        return 0.5 * float(np.sum(np.abs(self._gains) ** 2)) * self._scale**2

    def clean(self, mic: Floats, sent: Floats) -> tuple[Floats, bool]:
        """Clean one step; also say whether nothing can be heard through it."""
        here = np.exp(2j * np.pi * self._phase)
        steady = self._compare(sent, here)
        cleaned = mic - self._returned(here)
        self._gather(mic, here, steady)
        if len(self._sums) == self._window:
            cleaned = self._learn(mic, cleaned, here)
        self._advance()
        return cleaned, not (steady and self._converged)

    # -- what is sent -------------------------------------------------------------------------

    def _fit_sent(self, sent: Floats) -> Gains:
        """Gains of what is sent, where ``sent`` ends at the next sample."""
        gains = fit(sent, self._turns)
        return np.asarray(gains * np.exp(2j * np.pi * (self._turns * len(sent) - self._phase)))

    def _compare(self, sent: Floats, here: Gains) -> bool:
        """Follow the volume of what is sent; false while it is not this drone, or changing."""
        known = (self._basis @ (self._sent_gains * here)).real
        scale = float(sent @ known) / float(known @ known)
        left = sent - scale * known
        fits = left @ left <= CHANGED * (sent @ sent)
        still = abs(scale - self._scale) < STEADY_VOLUME * abs(self._scale)
        self._other = 0 if fits else self._other + 1
        self.changed = self._other >= CHANGED_STEPS
        self._scale = scale
        return bool(fits and still)

    def check_pitch(self, sent: Floats) -> None:
        """Sharpen the drone's frequency by the phase that has slipped since the last time.

        Due after 1, 4, 16, 64 s and every 64 s from then on; between two checks the phase of the
        highest partial slips by far less than half a turn.
        """
        if self._steps < self._check_at:
            return
        passed = (self._steps - self._checked_at) * self._step
        self._checked_at = self._steps
        self._check_at += min(3 * self._check_at, int(CHECK_AGAIN_S * self._rate_hz / self._step))
        now = self._fit_sent(sent)
        slip = np.angle(now * np.conj(self._sent_gains)) / (2 * np.pi)
        weight = np.abs(self._sent_gains) ** 2
        order = self._turns / self._turns[0]
        common = float((weight * order * slip).sum() / (weight * order**2).sum())
        self._phase += common * order
        change = common / passed / self._turns[0]
        self._turns = self._turns * (1 + change)
        self._drift -= change

    # -- what comes back ----------------------------------------------------------------------

    def _returned(self, here: Gains) -> Floats:
        """The drone as the room returns it in this step; shape (step,)."""
        if self._gains is None:
            return np.zeros(self._step)
        middle = np.exp(1j * np.pi * self._turns * self._drift * self._step)
        return np.asarray((self._basis @ (self._gains * middle * here)).real * self._scale)

    def _gather(self, mic: Floats, here: Gains, steady: bool) -> None:
        if not steady:
            self._sums.clear()
            self._powers.clear()
            return
        self._sums.append(np.conj((mic @ self._basis) * here))
        self._powers.append(float(mic @ mic))

    def _fit(self) -> tuple[Gains, float]:
        """Least-squares gains over the window, as they are now, and the mean power left over."""
        count = self._window * self._step
        begin = np.exp(2j * np.pi * (self._phase + self._turns * (self._step - count)))
        sums = np.sum(self._sums, axis=0) * begin
        known = np.concatenate([sums.real, sums.imag])
        solution = self._inverse @ known
        left = (sum(self._powers) - float(solution @ known)) / count
        gains = (solution[: len(sums)] + 1j * solution[len(sums) :]) / begin
        return self._drifted(gains, self._window / 2) / self._scale, max(left, 1e-14)

    def _drifted(self, gains: Gains, steps: float) -> Gains:
        """The same gains so many steps later."""
        return np.asarray(
            gains * np.exp(2j * np.pi * self._turns * self._drift * self._step * steps)
        )

    def _learn(self, mic: Floats, cleaned: Floats, here: Gains) -> Floats:
        """Adapt the gains, or hold them while the player sounds; return the step cleaned."""
        fitted, left = self._fit()
        if self._gains is None:
            self._gains, self._noise = fitted, left
            self._recent.extend([(self._steps, fitted)] * BACK_STEPS)
            return mic - self._returned(here)
        heard = float(cleaned @ cleaned) / self._step
        self._judge_convergence(heard, self._drone_power())
        if self._gated:
            self._release(fitted, left)
            return cleaned
        if self._converged and (heard > self.quiet_power or left > 2 * RELEASE_NOISE * self._noise):
            self._gated, self._quiet = True, 0
            step, gains = self._recent[0]
            self._gains = self._drifted(gains, self._steps - step)
            return mic - self._returned(here)
        self._adapt(fitted, left)
        return cleaned

    def _judge_convergence(self, heard: float, drone: float) -> None:
        self._alone = self._alone + 1 if heard < ALONE * drone else 0
        late = self._steps * self._step > CONVERGED_S * self._rate_hz
        self._converged = self._converged or self._alone >= ALONE_STEPS or late

    def _release(self, fitted: Gains, left: float) -> None:
        """Learn again once the drone alone explains the window."""
        self._quiet = self._quiet + 1 if left < RELEASE_NOISE * self._noise else 0
        if self._quiet >= RELEASE_STEPS:
            self._gated = False
            self._alone_steps = self._window + RELEASE_STEPS - 1
            self._gains = fitted
            self._history.clear()
            self._recent.extend([(self._steps, fitted)] * BACK_STEPS)

    def _adapt(self, fitted: Gains, left: float) -> None:
        assert self._gains is not None
        self._learned += 1
        self._noise += 0.02 * (min(left, 2 * self._noise) - self._noise)
        self._follow_drift(fitted)
        self._history.append(fitted)
        self._gains = self._gains + max(SMOOTH, 1 / (1 + self._learned)) * (fitted - self._gains)
        self._recent.append((self._steps, self._gains))

    def _follow_drift(self, fitted: Gains) -> None:
        """Common drift by the slope of phase over partials, and how far each gain wanders."""
        if len(self._history) < WANDER_STEPS:
            return
        before = self._drifted(self._history[0], WANDER_STEPS)
        angle = np.angle(fitted * np.conj(before))
        weight = np.abs(fitted * before)
        reach = 2 * np.pi * self._turns * self._step * WANDER_STEPS
        self._slope = 0.998 * self._slope + float((weight * angle * reach).sum())
        self._slope_weight = 0.998 * self._slope_weight + float((weight * reach**2).sum())
        share = 0.15 if self._steps * self._step < CONVERGED_S * self._rate_hz else 0.02
        self._drift += share * self._slope / self._slope_weight
        self._slope *= 1 - share
        moved = np.abs(fitted - before) ** 2 / (np.abs(fitted) ** 2 + 1e-16)
        self._wander = np.clip(0.98 * self._wander + 0.02 * moved, LEAST_WANDER**2, 1.0)

    def _advance(self) -> None:
        self._phase = np.mod(self._phase + self._turns * self._step, 1.0)
        self._steps += 1
        self._alone_steps += 1 if self._alone_steps else 0
        if self._gains is not None:
            self._gains = self._drifted(self._gains, 1)


def _silent(sent: Floats) -> bool:
    return float(np.sqrt(np.mean(sent**2))) < SILENT_RMS


def _inverse(turns: Floats, count: int) -> Floats:
    """Inverse of the normal matrix of ``count`` samples of all partials; shape (2K, 2K)."""
    columns = basis(turns, count)
    return np.asarray(np.linalg.inv(columns.T @ columns), dtype=np.float64)
