"""One drone in one room: a complex gain for each partial, and when it may be learned.

What comes back of partial k at sample n is Re gain[k] · exp(2πi · phase[k](n)), with the phase as
it is sent. Every step a weighted least-squares fit over the last quarter of a second says what the
gains are now, if the drone is alone. Each partial follows its own fit as long as the fit can be
trusted: a player near a partial makes it flutter within the window, or jump, or turns one fit
against the next. In unison none may be true, but then the player's share is below what the room's
own wandering makes uncertain anyway.
"""

from collections import deque

import numpy as np
from numpy.typing import NDArray

from appliance.hearing.drift import Drift
from appliance.hearing.fits import Fits, RoomFits, Shakes
from appliance.hearing.meetings import Meetings
from appliance.hearing.sending import Sending
from appliance.hearing.sent import SentDrone
from appliance.hearing.trail import Trail

Floats = NDArray[np.float64]
Gains = NDArray[np.complex128]
Flags = NDArray[np.bool_]

SMOOTH = 0.35  # share of a new fit, a step: the gains lag 0.15 s behind, half of it the window
ALONE = 10 ** (-18 / 10)  # the drone explains all but this: nobody plays
ALONE_STEPS = 8
CONVERGED_S = 0.5  # at the latest: what is played on from the start is heard before it ends
GATE_NOISE = 6.0  # times the noise that a fit leaves: the player sounds
GATE_QUIET = 4.0  # times what the drone alone leaves on average
LEAST_QUIET = 10 ** (-34 / 10)  # share of the drone's power: less is left by no room for long
QUIET_UP, QUIET_DOWN = 0.03, 0.02  # a step: a room moves now and then, and its moving counts
RELEASE_NOISE = 4.0  # the drone alone explains the window again
RELEASE_STEPS = 3
STRUCK, STRUCK_STEPS = 6.0, 5  # times louder within 0.1 s: a stroke, not a room that changes
LOUDEST_KEPT = 0.98  # a step: a long note fades
FALLEN = 16.0  # times softer than its loudest: the note has ended
LEAST_ERROR = 0.03  # of each gain; a room with a player in it never stands still
FIRST_ERROR = 0.1
ERROR_SHARE = 0.05
LAG = 2.0  # times the square of what a new fit differs by: the fit itself lags behind
GROWTH_STEPS = 15.0  # an error's square has doubled when a gain has not been followed for 0.3 s
MOST_GROWTH = 8.0  # of the square: a room's wandering is bounded
FLUTTER = 5.0  # times the variance of the drone alone: something else sounds there
LEAST_FLUTTER = 0.02  # of each gain
SHAKEN = 0.05  # of each gain, over a few fits: a player nearby turns them more
FAR = 9.0  # times the error's square: a jump
STILL_STEPS = 20  # 0.4 s: by then it is known what is played, and a far gain is the room's
COMMON_LEAST = 0.08  # of all gains, 0.7 dB: a change that is common
COMMON_MOST = 4.0  # 12 dB: more at once is no knob
COMMON_LEFT = 0.2  # of the change's power: what is not common in it
COMMON_PARTIALS = 2.0  # so many at least, counted by their power
STUCK_STEPS = 150  # what stays so for 3 s is a new room
# So does what stands still. In takes with a walk all gains moved by less than STOOD of the square
# of how far they were off; of 27 notes that the drone's partials explained for as long, one did.
STOOD, STOOD_STEPS = 0.0025, 8
OTHER = 0.15  # of the gains' power: less is seen by no note
# A partial that the room cancels here is there again a step away: what wanders is a share of the
# partials around, not of itself.
NEIGHBOURS = np.ones(5) / 5


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
        self.drone = drone
        self._step, self._in_chunk = step, steps
        self._sending = Sending(drone, sent, rate_hz, step, steps)
        self._fits = RoomFits(drone, self._sending.turns, rate_hz, step, steps)
        count = len(self._sending.turns)
        self._since = 0  # steady steps in a row
        self._gains: Gains | None = None
        self._about = np.zeros(count)  # square of each gain and its neighbours, as the chunk began
        self._error = np.zeros(count)  # square of what a followed gain is off
        self._flutter = np.zeros(count)  # variance within a fit's window, the drone alone
        self._moved = np.zeros(count)  # square of what gains that have been followed moved since
        self._lost = np.zeros(count)  # steps for which a gain has not been followed
        self._still = np.zeros(count)  # steps for which nothing else has been heard near it
        self._shaken = np.zeros(count)  # variance of the last fits
        self._trail = Trail()
        self._shakes = Shakes()
        self._drift = Drift(self._sending.turns, step)
        self._meetings = Meetings(drone)
        self._noise = self._quiet_mean = 0.0
        self._heard: deque[float] = deque(maxlen=STRUCK_STEPS)  # power of the last steps, cleaned
        self._struck, self._loudest = False, 0.0
        self._learned = self._alone = self._alone_steps = 0
        self._quiet = self._explained = 0  # steps
        self._explained_by = np.zeros(count, complex)  # gains when the drone began to explain all
        self._gated = self._converged = self._turned_up_or_down = False

    # -- what the rest of the ear asks --------------------------------------------------------

    @property
    def changed(self) -> bool:
        """Whether another drone is sent, or none."""
        return self._sending.changed

    def leftover(self) -> Floats:
        """Amplitude that may be left of each partial, shape (K,)."""
        return np.asarray(np.sqrt(LAG * self._errors()) * self._sending.scale)

    @property
    def quiet_power(self) -> float:
        """Mean square that a cleaned step reaches while nobody plays."""
        grown = LAG * float((self._errors() - self._error).sum()) / 2 * self._sending.scale**2
        return self._gate_power() + grown

    @property
    def least_power(self) -> float:
        """The least that :attr:`quiet_power` falls to, in a room in which nothing moves."""
        return GATE_QUIET * LEAST_QUIET * self._drone_power()

    def take_alone_steps(self) -> int:
        """Steps up to now in which the drone was alone, if that has just turned out; else 0."""
        steps, self._alone_steps = self._alone_steps, 0
        return steps

    def take_turned_up_or_down(self) -> bool:
        """Whether all gains have changed alike since this was last asked."""
        turned, self._turned_up_or_down = self._turned_up_or_down, False
        return turned

    def clean(self, mic: Floats, sent: Floats, played_hz: Floats) -> tuple[Floats, Flags]:
        """Clean one chunk; also say for each step whether nothing can be heard through it.

        ``played_hz`` as in :meth:`appliance.hearing.cleaning.Cleaner.clean`.
        """
        here = np.exp(2j * np.pi * self._sending.phases())
        mics = mic.reshape(self._in_chunk, self._step)
        scales, steady = self._sending.compare(sent.reshape(self._in_chunk, self._step), here)
        fits = self._fits.fit(mic, here, self._sending.turns, scales)
        self._prepare(fits, played_hz)
        here = here * self._drift.turned(0.5) * scales[:, None]
        cleaned, blind = np.empty_like(mics), np.ones(self._in_chunk, bool)
        for s in range(self._in_chunk):
            self._since = self._since + 1 if steady[s] else 0
            known = self._since > self._fits.span
            if known and self._gains is None:
                self._begin(s)
            cleaned[s] = mics[s]
            if self._gains is not None:
                cleaned[s] -= self._sending.sound(self._gains * here[s])
                self._listen(cleaned[s], s if known else None)
                self._gains = self._gains * self._turned
            self._alone_steps += 1 if self._alone_steps else 0
            blind[s] = not (steady[s] and self._converged)
        if self._gains is not None:
            self._look_back(self._gains)
        self._sending.advance()
        return cleaned.reshape(-1), blind

    def _look_back(self, gains: Gains) -> None:
        """How far the gains that are not followed may have moved by now."""
        lost = self._lost > 0.0
        self._trail.put(gains, ~lost, self._drift.turned(self._in_chunk))
        self._moved = self._moved * lost
        if lost.any():
            moved = self._trail.moved(self._lost / self._in_chunk) * self._about
            self._moved = np.maximum(moved, self._moved)

    def check_pitch(self, sent: Floats) -> None:
        """Sharpen the drone's frequency; ``sent``, shape (n,), is what was sent last."""
        self._drift.shift(-self._sending.check_pitch(sent))

    def _prepare(self, fits: Fits, played_hz: Floats) -> None:
        """What holds for a whole chunk."""
        self._turned = self._drift.turned(1.0)
        self._fitted = fits.gains * self._drift.turned(self._fits.span / 2)
        self._left, self._fluttering = fits.left.tolist(), fits.flutter
        if self._gains is not None:
            self._about = _around(np.abs(self._gains) ** 2)
        quiet = self._flutter + LEAST_FLUTTER**2 * self._about
        shaken = self._shakes.of(self._fitted)
        self._far = FAR * self._errors()
        self._shaken = np.maximum(shaken[-1], 0.0)
        steady = (fits.flutter < FLUTTER * quiet) | (shaken < SHAKEN**2 * self._about)
        met, self._struck = self._meetings.hear(played_hz, struck=self._struck)
        self._calm = steady & ~met

    # -- when to learn ------------------------------------------------------------------------

    def _errors(self) -> Floats:
        """Square of what each gain may be off by now."""
        growth = np.minimum(1.0 + self._lost / GROWTH_STEPS, MOST_GROWTH)
        held = np.maximum(self._error * growth, self._moved)
        followed = self._shaken * ((self._lost == 0.0) & self._gated)
        return np.asarray(np.maximum(held, followed))

    def _drone_power(self) -> float:
        """Mean square of the drone at the microphone."""
        if self._gains is None:
            return 0.0
        return 0.5 * _power(self._gains) * self._sending.scale**2

    def _gate_power(self) -> float:
        quiet = max(self._quiet_mean, LEAST_QUIET * self._drone_power())
        return max(GATE_NOISE * self._noise, GATE_QUIET * quiet)

    def _listen(self, cleaned: Floats, step: int | None) -> None:
        """Follow the gains by the fit of a step of this chunk, or hold them while the player
        sounds.

        ``step`` is ``None`` where what was sent has just changed: a cue, a fader.
        """
        heard, gate = float(cleaned @ cleaned) / self._step, self._gate_power()
        self._listen_for_strokes(heard, gate)
        if self._converged and not self._gated and heard > gate:
            self._shut()
        if step is None:
            return
        left = self._left[step]
        # Who played when the drone began was taken for noise: what is once left can be left again.
        self._noise = min(self._noise, RELEASE_NOISE * left)
        self._judge_convergence(heard)
        if self._gated:
            self._release(step, heard)
        elif self._converged and left > 2 * RELEASE_NOISE * self._noise:
            self._shut()
        if self._gated or not self._converged:
            self._hold(step)
        else:
            self._learn(step)
        if not self._gated:
            self._adapt(step, heard)

    def _shut(self) -> None:
        self._gated, self._quiet, self._explained = True, 0, 0
        self._still[:] = 0

    def _begin(self, step: int) -> None:
        self._gains, self._noise = self._fitted[step], self._left[step]
        self._about = _around(np.abs(self._gains) ** 2)
        self._error = FIRST_ERROR**2 * self._about
        self._flutter = np.minimum(self._fluttering[step], LEAST_FLUTTER**2 * self._about)

    def _listen_for_strokes(self, heard: float, gate: float) -> None:
        """Whether a player has set in and has not stopped since; people who move are slower."""
        if heard > STRUCK * max(min(self._heard, default=heard), 2 * self._quiet_mean):
            self._struck, self._loudest = True, heard
        self._loudest = max(heard, LOUDEST_KEPT * self._loudest)
        if heard < max(self._loudest / FALLEN, gate):
            self._struck = False
        self._heard.append(heard)

    def _judge_convergence(self, heard: float) -> None:
        if self._converged:
            return
        self._alone = self._alone + 1 if heard < ALONE * self._drone_power() else 0
        late = self._sending.seconds > CONVERGED_S
        self._converged = self._alone >= ALONE_STEPS or late
        if self._converged:
            # Who still plays is not what a room leaves.
            self._quiet_mean = min(heard, ALONE * self._drone_power())

    def _release(self, step: int, heard: float) -> None:
        """Learn again once the drone alone explains the window, as it was known or for long.

        A player in an octave is explained by the drone's partials too, but not by their gains.
        """
        alone = self._left[step] < RELEASE_NOISE * self._noise
        known = alone and (not self._struck or heard < self.quiet_power)
        self._quiet = self._quiet + 1 if known else 0
        self._explained = self._explained + 1 if alone else 0
        if self._explained == 1:
            self._explained_by = self._fitted[step]
        stuck = self._explained >= STUCK_STEPS or self._another_room(step)
        if self._quiet >= RELEASE_STEPS or stuck:
            self._gated = False
            self._alone_steps = self._fits.span + RELEASE_STEPS - 1
            self._gains = self._fitted[step]
            self._drift.forget()

    def _another_room(self, step: int) -> bool:
        """Whether the gains are others, and stand as still as only a drone's do."""
        if self._explained < STOOD_STEPS:
            return False
        assert self._gains is not None
        fitted = self._fitted[step]
        off = _power(fitted - self._gains)
        stood = _power(fitted - self._explained_by) < STOOD * off
        return stood and off > OTHER * _power(self._gains)

    def _hold(self, step: int) -> None:
        """While somebody may play, move those gains whose fit can be trusted."""
        assert self._gains is not None
        fitted, still = self._fitted[step], self._calm[step]
        self._still = (self._still + 1) * still
        off = fitted - self._gains
        if self._converged and self._struck:
            for among in (1.0, still):  # all of them, or those that no player touches
                common = _common(fitted * among, self._gains * among)
                self._turned_up_or_down |= common != 1.0
                self._gains = self._gains * common
            off = fitted - self._gains
            near = off.real**2 + off.imag**2 < self._far
            still = still & (near | (self._still > STILL_STEPS))
        self._lost = (self._lost + 1) * ~still
        self._gains = self._gains + (self._share() * still) * off

    def _learn(self, step: int) -> None:
        """With the drone alone, move all gains; keep how far fits differ, and flutter."""
        assert self._gains is not None
        self._learned += 1
        off = self._fitted[step] - self._gains
        self._lost[:] = 0.0
        self._flutter += ERROR_SHARE * (self._fluttering[step] - self._flutter)
        self._error += ERROR_SHARE * (_around(off.real**2 + off.imag**2) - self._error)
        np.maximum(self._error, LEAST_ERROR**2 * self._about, out=self._error)
        self._gains = self._gains + self._share() * off

    def _share(self) -> float:
        return max(SMOOTH, 1 / (1 + self._learned))

    def _adapt(self, step: int, heard: float) -> None:
        """What only the drone alone can teach: noise, drift, what is left."""
        self._noise += 0.02 * (min(self._left[step], 2 * self._noise) - self._noise)
        if self._converged:
            share = max(QUIET_UP if heard > self._quiet_mean else QUIET_DOWN, 1 / self._learned)
            self._quiet_mean += share * (min(heard, 2 * self._quiet_mean) - self._quiet_mean)
        self._drift.follow(self._fitted[step], self._sending.seconds)


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


def _power(gains: Gains) -> float:
    return float(np.vdot(gains, gains).real)


def _around(squares: Floats) -> Floats:
    return np.convolve(squares, NEIGHBOURS, "same")
