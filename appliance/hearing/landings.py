"""Sketches of notes become landings: where the pitch first was, and where it went.

The landing is the median pitch of the window that opens when the pitch is first stable and closes
200 ms later, at the first sustained departure, or at the note's end. Players correct by ear with a
latency of roughly 100 to 500 ms (Burnett et al., J. Voice 1997; Parlitz & Bangert 1999), so what
is heard before is what the finger did. Where vibrato already runs, the perceived pitch is the mean
over cycles (Timmers & Desain 2000): the landing is then the mean of its first whole cycle.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from appliance.hearing import certainty
from appliance.hearing.sketches import NoteSketch
from appliance.tuning import CENTS_PER_OCTAVE, off_octave
from appliance.vocabulary import Vibrato

Floats = NDArray[np.float64]

SHORTEST_S = 0.25  # by definition: a shorter note is not measurable
ROUNDING_S = 1e-6  # times are whole hops: a note of just 0.25 s is long enough
LANDING_S = 0.2  # by definition
REPEAT_S, REPEAT_CENTS = 1.0, 5.0  # by definition
STABLE_S = 0.05  # so long within STABLE_CENTS makes the pitch stable
STABLE_CENTS = 14.0  # recorded bowed tones wander by 5 to 10 cents within 50 ms
STABLE_BY_S = 0.35  # a transient that outlasts this outlasts the window
DEPART_CENTS = 9.0  # a departure; corrections worth the name are larger
DEPART_FRAMES = 4  # sustained
SLIP_CENTS = 200.0  # nothing that belongs to a note lies so far from its middle
FEWEST_FRAMES = 5
RATE_STEP_HZ = 0.25
# 5.5 to 8 on strings (Timmers & Desain), slower in song
VIBRATO_HZ = np.arange(4.0, 8.6, RATE_STEP_HZ)
VIBRATO_CENTS = 5.0  # less is the unsteadiness of any tone
VIBRATO_SHARE = 0.6  # of the variance that a sinusoid must explain
LATE_S = 0.5  # at the end: a correction is over by then, and the vibrato has come
RUNNING, RUNNING_SHARE = 0.6, 0.7  # of the late extent, explained: it runs from the first
VIBRATO_S = 0.4  # two cycles of slow vibrato
SWING_FRAMES = 20  # half of those in it: through fewer with gaps a sinusoid is a guess
LAST_S = 0.1  # where a correction has ended, if anywhere
SETTLED_CENTS = 6.0  # from there back, what stays this near is settled
SWINGING_CENTS = 3.0  # the same for the mean over a cycle of vibrato
HALF_HOP_S = 0.005
OCTAVE_CENTS = 60.0
TAIL_S = 0.04  # the last moments belong to the release


@dataclass(frozen=True, slots=True)
class Landing:
    """What was measured on one note: all ``None`` where it is not measurable."""

    landing_hz: float | None = None
    uncertainty_cents: float | None = None
    settled_hz: float | None = None
    vibrato: Vibrato | None = None

    @property
    def measurable(self) -> bool:
        """Whether a landing was heard."""
        return self.landing_hz is not None


def measure(sketch: NoteSketch, blur_s: float, drone_hz: float | None = None) -> Landing:
    """Landing, settled pitch and vibrato of a note.

    ``blur_s`` is half the window that each frame looks at: frames nearer to the note's start
    still hear what was before. ``drone_hz`` is the drone under it: in its octaves what is left of
    it pulls at every partial.
    """
    end_s = sketch.end_s if sketch.end_s is not None else float(sketch.time_s[-1:].sum())
    if sketch.doubled or end_s - sketch.start_s < SHORTEST_S - ROUNDING_S:
        return Landing()
    kept = _inside(sketch, end_s, blur_s)
    time_s, cents = sketch.time_s[kept], sketch.cents[kept]
    if len(cents) < 2 * FEWEST_FRAMES:
        return Landing()
    vibrato, swing = _vibrato(time_s, cents)
    cycle_s = 1.0 / swing.rate_hz if swing else None
    window = _landing_window(time_s - sketch.start_s, cents, cycle_s)
    if window is None:
        return Landing()
    landing = cents[window]
    middle = _cycle_mean(time_s, cents, cycle_s) if cycle_s else float(np.median(landing))
    settled = _settled(time_s, cents, window.stop, vibrato)
    left = min(10 ** (-float(np.median(sketch.over_db)) / 20), 1.0)
    apart = _apart(sketch.apart[kept][window])
    if swing is None:
        in_octave = _in_octave(middle, drone_hz)
        uncertainty = certainty.still(_scatter(landing), apart, left, in_octave=in_octave)
    else:
        uncertainty = certainty.swinging(swing.left, swing.slope, apart, left)
    return Landing(hz_of(middle), uncertainty, hz_of(settled), vibrato)


def _inside(sketch: NoteSketch, end_s: float, blur_s: float) -> NDArray[np.bool_]:
    """Which frames hear this note only, without slips of an octave or more."""
    if len(sketch.cents) == 0:
        return np.zeros(0, bool)
    skip_s = blur_s if sketch.slide_s is None else blur_s / 2
    near = np.abs(sketch.cents - np.median(sketch.cents)) < SLIP_CENTS
    late = sketch.time_s >= sketch.start_s + skip_s
    return np.asarray(near & late & (sketch.time_s <= end_s - TAIL_S))


def _landing_window(since_s: Floats, cents: Floats, cycle_s: float | None) -> slice | None:
    """Indices of the frames that make the landing; ``None`` where nothing is stable in time."""
    if cycle_s:
        stop = int(np.searchsorted(since_s, since_s[0] + cycle_s - 1e-9))
        return slice(0, stop) if stop >= FEWEST_FRAMES else None
    for first in range(len(cents) - FEWEST_FRAMES):
        if since_s[first] > STABLE_BY_S:
            return None
        stable = cents[first : np.searchsorted(since_s, since_s[first] + STABLE_S)]
        if len(stable) >= FEWEST_FRAMES - 1 and np.ptp(stable) < STABLE_CENTS:
            return slice(first, _close(since_s, cents, first))
    return None


def _cycle_mean(time_s: Floats, cents: Floats, cycle_s: float) -> float:
    """Mean over the first whole cycle; its end may lie between two frames."""
    total = np.concatenate([[0.0], np.cumsum(np.diff(time_s) * (cents[1:] + cents[:-1]) / 2)])
    return float(np.interp(time_s[0] + cycle_s, time_s, total)) / cycle_s


def _close(since_s: Floats, cents: Floats, first: int) -> int:
    """End of the landing window: 200 ms, or the first sustained departure."""
    stop = int(np.searchsorted(since_s, since_s[first] + LANDING_S))
    for index in range(first + FEWEST_FRAMES, stop):
        away = cents[index : index + DEPART_FRAMES] - np.median(cents[first:index])
        if len(away) == DEPART_FRAMES and (
            np.all(away > DEPART_CENTS) or np.all(away < -DEPART_CENTS)
        ):
            return index
    return stop


def fit_swings(time_s: Floats, cents: Floats, rates_hz: Floats) -> tuple[Floats, Floats]:
    """Least-squares sinusoids about a straight line, one for every rate.

    Returns the coefficients, shape (rates, 4): mean (cents), slope (cents a second), cosine and
    sine (cents); and the squares left over, shape (rates,).
    """
    since = time_s - time_s.mean()
    flat = np.stack([np.ones_like(since), since])
    turn = 2 * np.pi * rates_hz[:, None] * since
    swings = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    columns = np.concatenate([np.broadcast_to(flat, swings.shape), swings], axis=1)
    known = (columns @ cents)[..., None]  # columns: (rates, 4, frames)
    fits = np.linalg.solve(columns @ columns.transpose(0, 2, 1), known)[..., 0]
    left = cents - np.einsum("rk,rkn->rn", fits, columns)
    return fits, np.einsum("rn,rn->r", left, left)


class _Swing(NamedTuple):
    """A sinusoid about a straight line: rate in Hz, extent, mean and what it leaves (RMS) in cents,
    slope of the line in cents a second, share of the variance about a line that it explains."""

    rate_hz: float
    extent: float
    mean: float
    slope: float
    left: float
    share: float


def _swing(time_s: Floats, cents: Floats) -> _Swing | None:
    """The best sinusoid at a vibrato's rate; ``None``: too little of it was heard."""
    if len(cents) < SWING_FRAMES:
        return None
    since = time_s - time_s.mean()
    flat = np.stack([np.ones_like(since), since])
    line = np.linalg.solve(flat @ flat.T, flat @ cents)
    total = float(np.sum((cents - line @ flat) ** 2)) + 1e-9
    fits, left = fit_swings(time_s, cents, VIBRATO_HZ)
    shares = 1.0 - left / total
    best = int(shares.argmax())
    mean, slope, *swing = fits[best].tolist()
    rate = float(VIBRATO_HZ[best])
    if 0 < best < len(shares) - 1:  # a parabola through the three best
        low, high = shares[best - 1], shares[best + 1]
        rate += RATE_STEP_HZ * float((low - high) / (low - 2 * shares[best] + high - 1e-12)) / 2
    rms = float(np.sqrt(max(left[best], 0.0) / len(cents)))
    return _Swing(rate, float(np.hypot(*swing)), mean, slope, rms, float(shares[best]))


def _vibrato(time_s: Floats, cents: Floats) -> tuple[Vibrato | None, _Swing | None]:
    """Vibrato of the note, and as it swings at first where it runs from the landing on."""
    if time_s[-1] - time_s[0] < VIBRATO_S:
        return None, None
    late = _swing(*_between(time_s, cents, time_s[-1] - LATE_S, np.inf))
    if late is None or late.extent < VIBRATO_CENTS or late.share < VIBRATO_SHARE:
        return None, None
    early = _swing(*_between(time_s, cents, 0.0, time_s[0] + VIBRATO_S))
    running = (
        early is not None and early.extent > RUNNING * late.extent and early.share > RUNNING_SHARE
    )
    return Vibrato(late.rate_hz, late.extent), early if running else None


def _between(time_s: Floats, cents: Floats, begin_s: float, end_s: float) -> tuple[Floats, Floats]:
    inside = (time_s >= begin_s) & (time_s < end_s)
    return time_s[inside], cents[inside]


def _settled(time_s: Floats, cents: Floats, after: int, vibrato: Vibrato | None) -> float:
    """Mean pitch of what follows the landing, once it stays where it ends."""
    rest_s, rest = time_s[after:], cents[after:]
    if len(rest) < FEWEST_FRAMES:
        return float(np.median(cents[-max(len(rest), 2 * FEWEST_FRAMES) :]))
    if vibrato and rest_s[-1] - rest_s[0] > 1.0 / vibrato.rate_hz:
        return _settled_swinging(rest_s, rest, vibrato)
    last = rest_s >= rest_s[-1] - LAST_S
    final = float(np.mean(rest[last]))
    outside = np.nonzero(np.abs(rest - final) > SETTLED_CENTS)[0]
    outside = outside[outside < len(rest) - last.sum()]
    begin = int(outside[-1]) + 1 if len(outside) else 0
    return float(np.median(rest[begin:]))


def _settled_swinging(time_s: Floats, cents: Floats, vibrato: Vibrato) -> float:
    """The same under vibrato: where its mean over one cycle no longer moves."""
    cycle_s = 1.0 / vibrato.rate_hz
    total = np.concatenate([[0.0], np.cumsum(cents)])
    first = np.arange(np.searchsorted(time_s, time_s[-1] - cycle_s + HALF_HOP_S) + 1)
    stop = np.searchsorted(time_s, time_s[first] + cycle_s - HALF_HOP_S)
    means = (total[stop] - total[first]) / np.maximum(stop - first, 1)
    outside = np.nonzero(np.abs(means - means[-1]) > SWINGING_CENTS)[0]
    begin = int(outside[-1]) + 1 if len(outside) else 0
    long = time_s[-1] - time_s[begin] >= VIBRATO_S
    swing = _swing(time_s[begin:], cents[begin:]) if long else None
    return float(np.mean(means[begin:])) if swing is None else swing.mean


def _scatter(cents: Floats) -> float:
    """Robust standard deviation: the median deviation of a normal distribution is 0.6745 of it."""
    return 1.4826 * float(np.median(np.abs(cents - np.median(cents))))


def _apart(apart: Floats) -> float:
    """How far apart both estimators lie, in cents: the middle of it. Where aubio reads nothing, the
    other says all there is.
    """
    read = apart[~np.isnan(apart)]
    return abs(float(np.median(read))) if len(read) else 0.0


def _in_octave(cents: float, drone_hz: float | None) -> bool:
    """Whether a pitch is near the drone's root or octaves above it."""
    if drone_hz is None:
        return False
    above = cents - CENTS_PER_OCTAVE * np.log2(drone_hz)
    return bool(abs(off_octave(above)) < OCTAVE_CENTS and above > -OCTAVE_CENTS)


def repeats(silent_s: float, apart_cents: float) -> bool:
    """Whether a note shows a finger left in place: so soon, and so near to where the last ended."""
    return silent_s < REPEAT_S and abs(apart_cents) < REPEAT_CENTS


def hz_of(cents: float) -> float:
    """The pitch of cents that count from 1 Hz, as in :class:`NoteSketch`."""
    return float(2.0 ** (cents / CENTS_PER_OCTAVE))
