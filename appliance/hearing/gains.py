"""One drone in one room: a complex gain for each partial, and when it may be learned.

What comes back of partial k at sample n is Re gain[k] · exp(2πi · phase[k](n)), with the phase as
it is sent. Every step a weighted least-squares fit over the last quarter of a second says what the
gains are now, if the drone is alone. Each partial follows its own fit as long as the fit can be
trusted: a player near a partial makes it flutter within the window, or jump. In unison neither may
be true, but then the player's share is below what the room's own wandering makes uncertain anyway.
"""

from collections import deque
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from appliance.hearing.sent import SentDrone, basis, fit

Floats = NDArray[np.float64]
Gains = NDArray[np.complex128]
Flags = NDArray[np.bool_]

FIT_S = 0.24  # the window of a fit; its Hann taper counts as half of that
FIT_PERIODS = 7.0  # of the grid: below that its partials do not come apart
FRAME_STEPS = 2  # a frame is 40 ms: what turns within it is 25 Hz away
SMOOTH = 0.35  # share of a new fit, a step: the gains lag 0.15 s behind, half of it the window
ALONE = 10 ** (-18 / 10)  # the drone explains all but this: nobody plays
ALONE_STEPS = 8
CONVERGED_S = 2.0  # at the latest: the gate must close some time, even on a noisy room
GATE_NOISE = 6.0  # times the noise that a fit leaves: the player sounds
GATE_QUIET = 4.0  # times what the drone alone leaves on average
LEAST_QUIET = 10 ** (-34 / 10)  # share of the drone's power: less is left by no room for long
QUIET_UP, QUIET_DOWN = 0.03, 0.02  # a step: a room moves now and then, and its moving counts
RELEASE_NOISE = 4.0  # the drone alone explains the window again
RELEASE_STEPS = 3
WANDER_STEPS = 25  # 0.5 s: 100 ppm turn the tenth partial of 220 Hz by 40 degrees
STRUCK, STRUCK_STEPS = 6.0, 5  # times louder within 0.1 s: a stroke, not a room that changes
LOUDEST_KEPT = 0.98  # a step: a long note fades
FALLEN = 16.0  # times softer than its loudest: the note has ended
ON_DRONE = 0.0012  # 2 cents: what is left of the drone sounds like a player just there
PLAYED_HOPS = 5  # off the drone: somebody plays
LEAST_ERROR = 0.03  # of each gain; a room with a player in it never stands still
FIRST_ERROR = 0.1
ERROR_SHARE = 0.05
LAG = 2.0  # times the square of what a new fit differs by: the fit itself lags behind
GROWTH_STEPS = 15.0  # an error's square has doubled when a gain has not been followed for 0.3 s
MOST_GROWTH = 8.0  # of the square: a room's wandering is bounded
FLUTTER = 5.0  # times the variance of the drone alone: something else sounds there
LEAST_FLUTTER = 0.02  # of each gain
MEETING_HZ = 8.0  # a Hann taper of a quarter of a second hears no further
FAR = 9.0  # times the error's square: a jump
STILL_STEPS = 20  # 0.4 s: by then it is known what is played, and a far gain is the room's
COMMON_LEAST = 0.08  # of all gains, 0.7 dB: a change that is common
COMMON_MOST = 2.0  # 6 dB: more at once is no knob
COMMON_LEFT = 0.2  # of the change's power: what is not common in it
COMMON_PARTIALS = 2.0  # so many at least, counted by their power
STUCK_STEPS = 150  # what stays so for 3 s is a new room
# A partial that the room cancels here is there again a step away: what wanders is a share of the
# partials around, not of itself.
NEIGHBOURS = np.ones(5) / 5
CHANGED = 10 ** (-30 / 10)  # share of the sent power that the known drone may leave
LEAST_SCALE = 1e-3  # of the level at which the drone was recognised: softer is silence
STEADY_VOLUME = 0.02  # a faster change in one step is a fade
CHECK_S = 1.0  # when the drone's frequency is first sharpened
CHECK_AGAIN_S = 64.0  # the longest pause between two times
CHANGED_STEPS = 4  # sustained: a cue is shorter


class _Fit(NamedTuple):
    """What the last quarter of a second says, if the drone is alone.

    ``gains`` and ``flutter``, their variance within it, have shape (K,); ``left`` is the mean
    power that they leave.
    """

    gains: Gains
    left: float
    flutter: Floats


class RoomGains:
    """Follows the gains and takes the drone out, chunk by chunk.

    Parameters
    ----------
    drone : as recognised
    sent : the last stretch of what was sent, shape (n,); the next chunk follows it
    rate_hz : sample rate
    step : samples in a step
    steps : steps in a chunk
    """

    def __init__(
        self, drone: SentDrone, sent: Floats, rate_hz: float, step: int, steps: int
    ) -> None:
        self.drone, self.changed = drone, False
        self._step, self._in_chunk, self._rate_hz = step, steps, rate_hz
        self._turns = drone.partial_hz / rate_hz  # cycles per sample
        self._phase = np.zeros(len(self._turns))  # cycles, at the next sample
        self._sent_gains = self._fit_sent(sent)
        self._scale, self._other = 1.0, 0
        self._steps, self._checked_at = 0, 0
        self._check_at = int(CHECK_S * rate_hz / step)
        self._set_window(rate_hz)
        self._set_memory()

    def _set_window(self, rate_hz: float) -> None:
        """Tables of a fit: the frame's tapered basis, the taper over frames, the inverse."""
        step, count = self._step, len(self._turns)
        spacing = self._turns[0] * rate_hz if count == 1 else np.diff(self._turns).min() * rate_hz
        self._frame = max(FRAME_STEPS, int(np.ceil(2 * rate_hz / (spacing * step))))
        window_s = max(FIT_S, FIT_PERIODS / self.drone.grid_hz)
        self._window = int(np.ceil(window_s * rate_hz / step))  # frames
        samples = np.arange(self._frame * step)
        taper = np.hanning(len(samples) + 1)[:-1]
        turning = np.exp(-2j * np.pi * np.outer(samples, self._turns)) * taper[:, None]
        self._tapered = np.hstack([turning.real, turning.imag]).astype(np.float32)
        phase = 2 * np.pi * np.outer(np.arange(step), self._turns)
        self._turning = np.vstack([np.cos(phase).T, -np.sin(phase).T])  # (2K, step)
        over = np.hanning(self._window + 2)[1:-1]
        self._over = np.zeros((self._in_chunk, self._window - 1 + self._in_chunk))
        for s in range(self._in_chunk):
            self._over[s, s : s + self._window] = over
        self._span = self._window + self._frame - 1  # steps that a fit looks at
        weights = np.zeros(self._span * step)
        for j, share in enumerate(over):
            weights[j * step : j * step + len(taper)] += share * taper
        columns = basis(self._turns, len(weights))
        self._inverse = np.linalg.inv(columns.T @ (columns * weights[:, None]))
        self._weight, self._frame_weight = weights.sum(), taper.sum() / 2 * over.sum()
        self._taper = taper

    def _set_memory(self) -> None:
        count, before = len(self._turns), self._window - 1
        self._tail = np.zeros((self._frame - 1) * self._step)
        self._demodulated = np.zeros((before, count), complex)
        self._powers = np.zeros(before)
        self._since = 0  # steady steps in a row
        self._gains: Gains | None = None
        self._history: deque[Gains] = deque(maxlen=WANDER_STEPS)
        self._about = np.zeros(count)  # square of each gain and its neighbours, as the chunk began
        self._error = np.zeros(count)  # square of what a followed gain is off
        self._flutter = np.zeros(count)  # variance within a fit's window, the drone alone
        self._lost = np.zeros(count)  # steps for which a gain has not been followed
        self._still = np.zeros(count)  # steps for which nothing else has been heard near it
        self._drift, self._slope, self._slope_weight = 0.0, 0.0, 1e-9
        self._noise = self._quiet_mean = 0.0
        self._heard: deque[float] = deque(maxlen=STRUCK_STEPS)  # power of the last steps, cleaned
        self._struck, self._loudest = False, 0.0
        self._learned = self._alone = self._alone_steps = 0
        self._quiet = self._explained = 0  # steps
        self._gated = self._converged = False

    # -- what the rest of the ear asks --------------------------------------------------------

    def leftover(self) -> Floats:
        """Amplitude that may be left of each partial, shape (K,)."""
        return np.asarray(np.sqrt(LAG * self._error * self._growth()) * self._scale)

    @property
    def quiet_power(self) -> float:
        """Mean square that a cleaned step reaches while nobody plays."""
        grown = LAG * float(self._error @ (self._growth() - 1.0)) / 2 * self._scale**2
        return self._gate_power() + grown

    def take_alone_steps(self) -> int:
        """Steps up to now in which the drone was alone, if that has just turned out; else 0."""
        steps, self._alone_steps = self._alone_steps, 0
        return steps

    def clean(self, mic: Floats, sent: Floats, played_hz: Floats) -> tuple[Floats, Flags]:
        """Clean one chunk; also say for each step whether nothing can be heard through it.

        ``played_hz`` as in :meth:`appliance.hearing.cleaning.Cleaner.clean`.
        """
        self._meet(played_hz)
        if self._gains is not None:
            self._about = _around(np.abs(self._gains) ** 2)
        steps = np.arange(self._in_chunk)[:, None]
        phase = self._phase + self._turns * (self._step * steps)
        here = np.exp(2j * np.pi * phase)
        mics = mic.reshape(self._in_chunk, self._step)
        steady = self._compare(sent.reshape(self._in_chunk, self._step), here)
        fits = self._fit(mic, here, phase)
        cleaned, blind = np.empty_like(mics), np.ones(self._in_chunk, bool)
        for s, fit_now in enumerate(fits):
            self._since = self._since + 1 if steady[s] else 0
            known = self._since > self._span
            if known and self._gains is None:
                self._begin(fit_now)
            cleaned[s] = mics[s] - self._returned(here[s], self._scales[s])
            if self._gains is not None:
                self._listen(cleaned[s], fit_now if known else None)
            self._advance()
            blind[s] = not (steady[s] and self._converged)
        return cleaned.reshape(-1), blind

    # -- what is sent -------------------------------------------------------------------------

    def _fit_sent(self, sent: Floats) -> Gains:
        """Gains of what is sent, where ``sent`` ends at the next sample."""
        gains = fit(sent, self._turns)
        return np.asarray(gains * np.exp(2j * np.pi * (self._turns * len(sent) - self._phase)))

    def _compare(self, sent: Floats, here: Gains) -> list[bool]:
        """Follow the volume of what is sent; false while it is not this drone, or changing."""
        known = self._sound(self._sent_gains * here)
        power = np.einsum("ij,ij->i", known, known)
        self._scales = np.einsum("ij,ij->i", sent, known) / power
        rest = sent - self._scales[:, None] * known
        fits = np.einsum("ij,ij->i", rest, rest) <= CHANGED * np.einsum("ij,ij->i", sent, sent)
        before = np.concatenate([[self._scale], self._scales[:-1]])
        still = np.abs(self._scales - before) < STEADY_VOLUME * np.abs(before)
        for same in fits:
            self._other = 0 if same else self._other + 1
            self.changed = self.changed or self._other >= CHANGED_STEPS
        self._scale = float(self._scales[-1])
        return list(fits & still)

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

    def _sound(self, gains: Gains) -> Floats:
        """The sum of partials over one step, for gains of shape (…, K); shape (…, step)."""
        return np.asarray(np.concatenate([gains.real, gains.imag], axis=-1) @ self._turning)

    def _returned(self, here: Gains, scale: float) -> Floats:
        """The drone as the room returns it in this step; shape (step,)."""
        if self._gains is None:
            return np.zeros(self._step)
        return self._sound(self._drifted(self._gains, 0.5) * here) * scale

    def _fit(self, mic: Floats, here: Gains, phase: Floats) -> list[_Fit]:
        """One fit for every step of the chunk."""
        count, step = len(self._turns), self._step
        line = np.concatenate([self._tail, mic])
        self._tail = line[len(mic) :]
        size = self._frame * step
        frames = np.ndarray(
            (self._in_chunk, size), buffer=line, strides=(step * line.itemsize, line.itemsize)
        )
        # A product of overlapping rows would bypass BLAS; 24 bits are 80 dB more than is removed.
        frames = frames.astype(np.float32)
        found = frames @ self._tapered
        back = np.exp(2j * np.pi * self._turns * (step * (self._frame - 1)))
        per = 1.0 / np.maximum(self._scales, LEAST_SCALE)[:, None]  # a fader moves all at once
        demodulated = (found[:, :count] + 1j * found[:, count:]) * (np.conj(here) * back * per)
        powers = (frames**2) @ self._taper * per[:, 0] ** 2
        self._demodulated = np.concatenate([self._demodulated, demodulated])
        self._powers = np.concatenate([self._powers, powers])
        summed = self._over @ self._demodulated
        squares = self._over @ (self._demodulated.real**2 + self._demodulated.imag**2)
        power = self._over @ self._powers
        self._demodulated = self._demodulated[self._in_chunk :]
        self._powers = self._powers[self._in_chunk :]
        begin = np.exp(2j * np.pi * (phase - self._turns * (step * (self._span - 1))))
        known = summed * begin
        known = np.concatenate([known.real, known.imag], axis=1)
        solution = known @ self._inverse
        left = (power - np.einsum("ij,ij->i", solution, known)) / self._weight
        gains = (solution[:, :count] + 1j * solution[:, count:]) / begin
        total = self._over[0].sum()
        flutter = squares / total - np.abs(summed / total) ** 2
        flutter *= (total / self._frame_weight) ** 2
        left = np.maximum(left * self._scales**2, 1e-14)
        gains = self._drifted(gains, self._span / 2)
        return [_Fit(*row) for row in zip(gains, left.tolist(), flutter, strict=True)]

    def _drifted(self, gains: Gains, steps: float) -> Gains:
        """The same gains so many steps later."""
        if self._drift == 0.0:
            return gains
        return np.asarray(
            gains * np.exp((2j * np.pi * self._drift * self._step * steps) * self._turns)
        )

    def _meet(self, played_hz: Floats) -> None:
        """Which partials of the drone a partial of the player may have been near."""
        hz = played_hz[~np.isnan(played_hz)]
        order = np.maximum(np.rint(hz / self.drone.root_hz), 1.0)
        own = np.abs(hz / (order * self.drone.root_hz) - 1.0) < ON_DRONE
        self._struck = self._struck or int((~own).sum()) >= PLAYED_HOPS
        hz = hz if self._struck else hz[~own]
        order = np.maximum(np.rint(self.drone.partial_hz / hz[:, None]), 1.0)
        apart = np.abs(order * hz[:, None] - self.drone.partial_hz)
        self._met = (apart < MEETING_HZ).any(0)

    # -- when to learn ------------------------------------------------------------------------

    def _growth(self) -> Floats:
        return np.minimum(1.0 + self._lost / GROWTH_STEPS, MOST_GROWTH)

    def _drone_power(self) -> float:
        """Mean square of the drone at the microphone."""
        if self._gains is None:
            return 0.0
        return 0.5 * float(np.vdot(self._gains, self._gains).real) * self._scale**2

    def _gate_power(self) -> float:
        quiet = max(self._quiet_mean, LEAST_QUIET * self._drone_power())
        return max(GATE_NOISE * self._noise, GATE_QUIET * quiet)

    def _listen(self, cleaned: Floats, fit_now: _Fit | None) -> None:
        """Follow the gains, or hold them while the player sounds.

        ``fit_now`` is ``None`` where what was sent has just changed: a cue, a fader.
        """
        heard = float(cleaned @ cleaned) / self._step
        self._listen_for_strokes(heard)
        if self._converged and not self._gated and heard > self._gate_power():
            self._shut()
        if fit_now is None:
            return
        # Who played when the drone began was taken for noise: what is once left can be left again.
        self._noise = min(self._noise, RELEASE_NOISE * fit_now.left)
        self._judge_convergence(heard)
        if self._gated:
            self._release(fit_now, heard)
        elif self._converged and fit_now.left > 2 * RELEASE_NOISE * self._noise:
            self._shut()
        self._follow(fit_now)
        if not self._gated:
            self._adapt(fit_now, heard)

    def _shut(self) -> None:
        self._gated, self._quiet, self._explained = True, 0, 0
        self._still[:] = 0

    def _begin(self, fit_now: _Fit) -> None:
        self._gains, self._noise = fit_now.gains, fit_now.left
        self._about = _around(np.abs(fit_now.gains) ** 2)
        self._error = FIRST_ERROR**2 * self._about
        self._flutter = np.minimum(fit_now.flutter, LEAST_FLUTTER * self._about)

    def _listen_for_strokes(self, heard: float) -> None:
        """Whether a player has set in and has not stopped since; people who move are slower."""
        if heard > STRUCK * max(min(self._heard, default=heard), 2 * self._quiet_mean):
            self._struck, self._loudest = True, heard
        self._loudest = max(heard, LOUDEST_KEPT * self._loudest)
        if heard < max(self._loudest / FALLEN, self._gate_power()):
            self._struck = False
        self._heard.append(heard)

    def _judge_convergence(self, heard: float) -> None:
        if self._converged:
            return
        self._alone = self._alone + 1 if heard < ALONE * self._drone_power() else 0
        late = self._steps * self._step > CONVERGED_S * self._rate_hz
        self._converged = self._alone >= ALONE_STEPS or late
        if self._converged:
            # Who still plays is not what a room leaves.
            self._quiet_mean = min(heard, ALONE * self._drone_power())

    def _release(self, fit_now: _Fit, heard: float) -> None:
        """Learn again once the drone alone explains the window, as it was known or for long.

        A player in an octave is explained by the drone's partials too, but not by their gains.
        """
        alone = fit_now.left < RELEASE_NOISE * self._noise
        known = alone and (heard < self.quiet_power or not self._struck)
        self._quiet = self._quiet + 1 if known else 0
        self._explained = self._explained + 1 if alone else 0
        if self._quiet >= RELEASE_STEPS or self._explained >= STUCK_STEPS:
            self._gated = False
            self._alone_steps = self._span + RELEASE_STEPS - 1
            self._gains = fit_now.gains
            self._history.clear()

    def _follow(self, fit_now: _Fit) -> None:
        """Move those gains towards their fit whose fit can be trusted."""
        assert self._gains is not None
        fitted, flutter = fit_now.gains, fit_now.flutter
        if self._gated or not self._converged:
            still = flutter < FLUTTER * (self._flutter + LEAST_FLUTTER**2 * self._about)
            still &= ~self._met
            self._still = np.where(still, self._still + 1, 0)
            if self._converged and self._struck:
                self._gains = self._gains * _common(fitted[still], self._gains[still])
                near = np.abs(fitted - self._gains) ** 2 < FAR * self._error * self._growth()
                still &= near | (self._still > STILL_STEPS)
            self._lost = np.where(still, 0.0, self._lost + 1)
            share = np.where(still, self._share(), 0.0)
        else:
            self._learned += 1
            share = np.array(self._share())
            self._learn_errors(np.abs(fitted - self._gains) ** 2, flutter)
        self._gains = self._gains + share * (fitted - self._gains)

    def _share(self) -> float:
        return max(SMOOTH, 1 / (1 + self._learned))

    def _learn_errors(self, squares: Floats, flutter: Floats) -> None:
        """How far fits differ, and flutter within their window, with the drone alone."""
        self._lost[:] = 0.0
        self._flutter += ERROR_SHARE * (flutter - self._flutter)
        self._error += ERROR_SHARE * (_around(squares) - self._error)
        np.maximum(self._error, LEAST_ERROR**2 * self._about, out=self._error)

    def _adapt(self, fit_now: _Fit, heard: float) -> None:
        """What only the drone alone can teach: noise, drift, what is left."""
        assert self._gains is not None
        self._noise += 0.02 * (min(fit_now.left, 2 * self._noise) - self._noise)
        if self._converged:
            share = max(QUIET_UP if heard > self._quiet_mean else QUIET_DOWN, 1 / self._learned)
            self._quiet_mean += share * (min(heard, 2 * self._quiet_mean) - self._quiet_mean)
        self._follow_drift(fit_now.gains)
        self._history.append(fit_now.gains)

    def _follow_drift(self, fitted: Gains) -> None:
        """Common drift, by the slope of phase over partials."""
        if len(self._history) < WANDER_STEPS:
            return
        before = self._drifted(self._history[0], WANDER_STEPS)
        turned = fitted * np.conj(before)
        weight = np.abs(turned)
        reach = (2 * np.pi * self._step * WANDER_STEPS) * self._turns
        pulled = weight * reach
        self._slope = 0.998 * self._slope + float(pulled @ np.angle(turned))
        self._slope_weight = 0.998 * self._slope_weight + float(pulled @ reach)
        share = 0.15 if self._steps * self._step < 3.0 * self._rate_hz else 0.02
        self._drift += share * self._slope / self._slope_weight
        self._slope *= 1 - share

    def _advance(self) -> None:
        self._phase = np.mod(self._phase + self._turns * self._step, 1.0)
        self._steps += 1
        self._alone_steps += 1 if self._alone_steps else 0
        if self._gains is not None:
            self._gains = self._drifted(self._gains, 1)


def _common(fitted: Gains, gains: Gains) -> float:
    """By how much all gains have changed alike, where that explains the change; else 1.

    A knob at the loudspeaker and a microphone's automatic gain change them so; a player, whose
    partials meet a few of the drone's, and a walk do not.
    """
    power = np.abs(gains) ** 2
    several = power.sum() ** 2 > COMMON_PARTIALS * (power**2).sum()
    if not several:
        return 1.0
    common = float(np.vdot(gains, fitted).real / power.sum())
    off, left = np.abs(fitted - gains) ** 2, np.abs(fitted - common * gains) ** 2
    sane = abs(common - 1.0) > COMMON_LEAST and 1 / COMMON_MOST < common < COMMON_MOST
    return common if sane and left.sum() < COMMON_LEFT * off.sum() else 1.0


def _around(squares: Floats) -> Floats:
    return np.convolve(squares, NEIGHBOURS, "same")
