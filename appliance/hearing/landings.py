"""Sketches of notes become landings: where the pitch first was, and where it went.

The landing is the median pitch of the window that opens when the pitch is first stable and closes
200 ms later, at the first sustained departure, or at the note's end. Players correct by ear with a
latency of roughly 100 to 500 ms (Burnett et al., J. Voice 1997; Parlitz & Bangert 1999), so what
is heard before is what the finger did. Where vibrato already runs, the perceived pitch is the mean
over cycles (Timmers & Desain 2000): the landing is then the mean of its first whole cycle.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from appliance.hearing.notes import NoteSketch
from appliance.tuning import CENTS_PER_OCTAVE
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
VIBRATO_HZ = np.arange(4.0, 8.6, 0.25)  # 5.5 to 8 on strings (Timmers & Desain), slower in song
VIBRATO_CENTS = 5.0  # less is the unsteadiness of any tone
VIBRATO_SHARE = 0.5  # of the variance that a sinusoid must explain
VIBRATO_S = 0.4  # two cycles of slow vibrato
LAST_S = 0.1  # where a correction has ended, if anywhere
SETTLED_CENTS = 6.0  # from there back, what stays this near is settled
OWN_CENTS, SCATTER, LEFT = 0.16, 1.5, 2.2  # of the 95 % interval: see _uncertainty
CYCLE_CENTS = 1.55  # over a cycle of vibrato, whose swing is no scatter
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


def measure(sketch: NoteSketch, blur_s: float) -> Landing:
    """Landing, settled pitch and vibrato of a note.

    ``blur_s`` is half the window that each frame looks at: frames nearer to the note's start
    still hear what was before.
    """
    end_s = sketch.end_s if sketch.end_s is not None else float(sketch.time_s[-1:].sum())
    if sketch.doubled or end_s - sketch.start_s < SHORTEST_S - ROUNDING_S:
        return Landing()
    time_s, cents = _inside(sketch, end_s, blur_s)
    if len(cents) < 2 * FEWEST_FRAMES:
        return Landing()
    vibrato, depth = _vibrato(time_s, cents)
    window = _landing_window(time_s - sketch.start_s, cents, depth)
    if window is None:
        return Landing()
    landing = cents[window]
    middle = float(np.mean(landing)) if depth else float(np.median(landing))
    settled = _settled(time_s, cents, window.stop, vibrato)
    uncertainty = _uncertainty(landing, sketch.over_db, cycle=depth is not None)
    return Landing(hz_of(middle), uncertainty, hz_of(settled), vibrato)


def _inside(sketch: NoteSketch, end_s: float, blur_s: float) -> tuple[Floats, Floats]:
    """Frames that hear this note only, without slips of an octave or more."""
    skip_s = blur_s if sketch.slide_s is None else blur_s / 2
    if len(sketch.cents) == 0:
        return sketch.time_s, sketch.cents
    near = np.abs(sketch.cents - np.median(sketch.cents)) < SLIP_CENTS
    kept = near & (sketch.time_s >= sketch.start_s + skip_s) & (sketch.time_s <= end_s - TAIL_S)
    return sketch.time_s[kept], sketch.cents[kept]


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


def _sinusoid(time_s: Floats, cents: Floats) -> tuple[float, float, float, float]:
    """Best sinusoid about a straight line: rate (Hz), amplitude, mean (cents), share explained."""
    since = time_s - time_s.mean()
    flat = np.stack([np.ones_like(since), since])
    line = np.linalg.solve(flat @ flat.T, flat @ cents)
    total = float(np.sum((cents - line @ flat) ** 2)) + 1e-9
    fits, left = fit_swings(time_s, cents, VIBRATO_HZ)
    shares = 1.0 - left / total
    best = int(shares.argmax())
    if shares[best] <= 0.0:
        return 0.0, 0.0, float(np.mean(cents)), 0.0
    mean, _, *swing = fits[best]
    return float(VIBRATO_HZ[best]), float(np.hypot(*swing)), float(mean), float(shares[best])


def _vibrato(time_s: Floats, cents: Floats) -> tuple[Vibrato | None, float | None]:
    """Vibrato of the note, and the length of its first cycle where it runs from the landing on."""
    if time_s[-1] - time_s[0] < VIBRATO_S:
        return None, None
    half = time_s >= time_s[0] + min(0.3, (time_s[-1] - time_s[0]) - VIBRATO_S)
    rate, extent, _, share = _sinusoid(time_s[half], cents[half])
    found = Vibrato(rate, extent) if extent > VIBRATO_CENTS and share > VIBRATO_SHARE else None
    early = time_s < time_s[0] + 0.4
    rate, extent, _, share = _sinusoid(time_s[early], cents[early])
    running = found is not None and extent > 0.6 * found.extent_cents and share > 0.7
    return found, 1.0 / rate if running else None


def _settled(time_s: Floats, cents: Floats, after: int, vibrato: Vibrato | None) -> float:
    """Mean pitch of what follows the landing, once it stays where it ends."""
    rest_s, rest = time_s[after:], cents[after:]
    if len(rest) < FEWEST_FRAMES:
        return float(np.median(cents[-max(len(rest), 2 * FEWEST_FRAMES) :]))
    last = rest_s >= rest_s[-1] - (LAST_S if vibrato is None else 1.0 / vibrato.rate_hz)
    final = float(np.mean(rest[last]))
    reach = SETTLED_CENTS + (1.2 * vibrato.extent_cents if vibrato else 0.0)
    outside = np.nonzero(np.abs(rest - final) > reach)[0]
    outside = outside[outside < len(rest) - last.sum()]
    begin = int(outside[-1]) + 1 if len(outside) else 0
    if vibrato and rest_s[-1] - rest_s[begin] >= VIBRATO_S:
        return _sinusoid(rest_s[begin:], rest[begin:])[2]
    return float(np.median(rest[begin:]))


def _uncertainty(landing: Floats, over_db: Floats, *, cycle: bool) -> float:
    """Half-width of the 95 % interval, in cents.

    Scatter within the window and our own error, grown by what may be left of a drone. The factors
    were fitted to the errors on recorded tones (tests/bench, tuning seeds): 90 to 98 % inside,
    with no drone and with drones of 0 to +12 dB.
    """
    scatter = 1.4826 * float(np.median(np.abs(landing - np.median(landing))))
    own = CYCLE_CENTS if cycle else float(np.hypot(OWN_CENTS, SCATTER * scatter))
    left = min(10 ** (-float(np.median(over_db)) / 20), 1.0)
    return own * (1.0 + LEFT * left)


def repeats(silent_s: float, apart_cents: float) -> bool:
    """Whether a note shows a finger left in place: so soon, and so near to where the last ended."""
    return silent_s < REPEAT_S and abs(apart_cents) < REPEAT_CENTS


def hz_of(cents: float) -> float:
    """The pitch of cents that count from 1 Hz, as in :class:`NoteSketch`."""
    return float(2.0 ** (cents / CENTS_PER_OCTAVE))
