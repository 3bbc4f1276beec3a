"""How small an error a player reliably hears: a psychometric fit to calls. Pure.

A landing e cents off (sharp positive) is called, with the logistic function L,

    flat     with probability  (1 - lapse) · L(a - b e) + lapse / 3
    sharp    with probability  (1 - lapse) · L(b e - c) + lapse / 3
    in tune  otherwise

an ordered logit (McCullagh, Regression models for ordinal data, J. R. Statist. Soc. B 42, 1980)
with a lapse for the foot that slips, as in Wichmann & Hill (The psychometric function, Perception &
Psychophysics 63, 2001; both from memory). It is fitted by maximum likelihood. Intervals are 95 %
profile-likelihood intervals; they take the calls as independent of each other. Calls of one sitting
are not: :mod:`~.wander` widens the intervals by that.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from appliance.vocabulary import Call

ENOUGH = 30  # calls; with fewer the interval is as wide as what it speaks of
FARTHEST_CENTS = 100.0  # a semitone; what may lie beyond is not known

_RELIABLY = math.log(3.0)  # L(log 3) = 3/4: called on its side three times of four
_LAPSES = (0.0, 0.03, 0.08)
_HALF_DEVIANCE = 1.920729  # half of the 95 % point of chi-squared with one degree of freedom
# With n calls it is larger by 1 + 6 / n, a correction in the manner of Bartlett (Proc. R. Soc. A
# 160, 1937): without it 91 and not 95 of 100 intervals from 30 simulated calls held the truth.
_CORRECTION = 6.0
# No spread is finer than the landing is measured: keeps b finite for calls without any mistake.
_FINEST_CENTS = 0.5
_STEPS, _HALVINGS, _SETTLED = 40, 20, 1e-4  # log-likelihoods are compared with 1.9
_TOLERANCE_CENTS = 0.05

_Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value in cents and its 95 % interval."""

    cents: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Threshold:
    """What a player's calls say of their ear.

    ``bias`` is the error that sounds in tune, sharp positive. ``smallest`` is the smallest error,
    counted from there to either side, that is called on its side three times of four; ``flat`` and
    ``sharp`` are the same counted from the target, ``None`` where the calls do not tell within a
    semitone. ``lapse`` is the share of calls given at random. ``sittings`` says over how many
    sittings the intervals hold; 0: as if there were no sittings.
    """

    calls: int
    bias: Estimate
    smallest: Estimate
    flat: Estimate | None
    sharp: Estimate | None
    lapse: float
    sittings: int = 0


@dataclass(frozen=True, slots=True)
class Point:
    """The values of a :class:`Threshold`, in cents, without their intervals."""

    bias: float
    smallest: float
    flat: float
    sharp: float


@dataclass(frozen=True, slots=True)
class _Fit:
    log_likelihood: float
    values: _Floats  # a, c, b
    free: _Floats
    lapse: float


@dataclass(frozen=True, slots=True)
class _Line:
    """Where (a, c, b) may lie: ``by @ free + offset``."""

    by: _Floats
    offset: _Floats


_Held = Callable[[float, _Floats], tuple[_Line, _Floats]]


def threshold(calls: Sequence[tuple[float, Call]], *, sides: bool = True) -> Threshold | None:
    """Fit ``(landing error in cents, call)`` pairs; ``None``: not enough calls yet.

    Without ``sides`` neither ``flat`` nor ``sharp`` is looked for, in half the time.

    Not enough are fewer than 30, and calls that leave the bias or the smallest error open within a
    semitone, as those of somebody who guesses or never says anything but *in tune* do.
    """
    if len(calls) < ENOUGH:
        return None
    trials = _Trials(calls)
    best = trials.fit()
    values = _point(best)
    if values is None:
        return None
    interval = partial(_interval, trials, best)
    bias = interval(_at_bias, values.bias)
    smallest = interval(_at_smallest, values.smallest)
    if bias is None or smallest is None:
        return None
    return Threshold(
        calls=len(calls),
        bias=bias,
        smallest=smallest,
        flat=interval(_at_flat, values.flat) if sides else None,
        sharp=interval(_at_sharp, values.sharp) if sides else None,
        lapse=best.lapse,
    )


def point(calls: Sequence[tuple[float, Call]], lapse: float) -> Point | None:
    """Fit calls with the lapse known, without intervals; ``None``: they tell nothing."""
    return _point(_Trials(calls).fit((lapse,)))


def _point(fit: _Fit) -> Point | None:
    a, c, b = fit.values.tolist()
    if b <= 0.0:
        return None
    return Point(
        bias=(a + c) / (2.0 * b),
        smallest=((c - a) / 2.0 + _RELIABLY) / b,
        flat=(_RELIABLY - a) / b,
        sharp=(_RELIABLY + c) / b,
    )


# Holding one quantity at so many cents leaves (a, c, b) a plane. Each of these returns it, and the
# place on it from which to search: near ``values``, and with a below c.


def _at_bias(at: float, values: _Floats) -> tuple[_Line, _Floats]:
    a, c, b = values
    by = np.array([[-1.0, at], [1.0, at], [0.0, 1.0]])
    return _Line(by, np.zeros(3)), np.array([(c - a) / 2.0, b])


def _at_smallest(at: float, values: _Floats) -> tuple[_Line, _Floats]:
    a, c, b = values
    by = np.array([[1.0, -at], [1.0, at], [0.0, 1.0]])
    steeper = ((c - a) / 2.0 + _RELIABLY) / at
    free = np.array([(a + c) / 2.0 * steeper / b, steeper])
    return _Line(by, np.array([_RELIABLY, -_RELIABLY, 0.0])), free


def _at_flat(at: float, values: _Floats) -> tuple[_Line, _Floats]:
    a, c, b = values
    by = np.array([[0.0, -at], [1.0, 0.0], [0.0, 1.0]])
    free = np.array([_RELIABLY - b * at + (c - a), b])
    return _Line(by, np.array([_RELIABLY, 0.0, 0.0])), free


def _at_sharp(at: float, values: _Floats) -> tuple[_Line, _Floats]:
    a, c, b = values
    by = np.array([[1.0, 0.0], [0.0, at], [0.0, 1.0]])
    free = np.array([b * at - _RELIABLY - (c - a), b])
    return _Line(by, np.array([0.0, -_RELIABLY, 0.0])), free


def _interval(trials: "_Trials", best: _Fit, held: _Held, estimate: float) -> Estimate | None:
    """Return the values that fit hardly worse; ``None`` where they do not end within a semitone."""
    nearest = _TOLERANCE_CENTS if held is _at_smallest else -FARTHEST_CENTS  # a size, or a place

    lapses = sorted(_LAPSES, key=lambda lapse: abs(lapse - best.lapse))  # the likeliest first
    allowed = _HALF_DEVIANCE * (1.0 + _CORRECTION / trials.count)

    def fits(cents: float) -> bool:
        line, free = held(cents, best.values)
        climbs = (trials.climb(line, free, lapse) for lapse in lapses)
        return any(best.log_likelihood - fit.log_likelihood < allowed for fit in climbs)

    if not nearest < estimate < FARTHEST_CENTS:
        return None
    low, high = (_end(fits, estimate, end) for end in (nearest, FARTHEST_CENTS))
    return None if low is None or high is None else Estimate(estimate, low, high)


def _end(fits: Callable[[float], bool], inside: float, farthest: float) -> float | None:
    """Return where ``fits`` ends on the way out; ``None`` if nowhere."""
    width = math.copysign(1.0, farthest - inside)
    while fits(outside := _toward(inside, width, farthest)):
        if outside == farthest:
            return None
        inside, width = outside, 2.0 * width
    while abs(outside - inside) > _TOLERANCE_CENTS:
        middle = (inside + outside) / 2.0
        inside, outside = (middle, outside) if fits(middle) else (inside, middle)
    return inside


def _toward(start: float, width: float, farthest: float) -> float:
    return min(start + width, farthest) if width > 0.0 else max(start + width, farthest)


class _Trials:
    """The calls as arrays, and their likelihood."""

    def __init__(self, calls: Sequence[tuple[float, Call]]) -> None:
        self._errors = np.array([error for error, _ in calls])
        order = np.array([(Call.FLAT, Call.IN_TUNE, Call.SHARP)]).T
        self._given = (order == np.array([call for _, call in calls])).astype(np.float64)

    @property
    def count(self) -> int:
        """How many calls."""
        return len(self._errors)

    def fit(self, lapses: Sequence[float] = _LAPSES) -> _Fit:
        """Return the most likely values of all, over some lapses."""
        anywhere, free = _Line(np.eye(3), np.zeros(3)), np.array([-1.0, 1.0, 0.2])
        fits = (self.climb(anywhere, free, lapse) for lapse in lapses)
        return max(fits, key=lambda fit: fit.log_likelihood)

    def climb(self, line: _Line, free: _Floats, lapse: float) -> _Fit:
        """Search on ``line`` by Fisher's scoring, steps halved until they lead uphill."""
        height = self._height(line.by @ free + line.offset, lapse)
        for _ in range(_STEPS):
            step, promised = self._step(line, free, lapse)
            if promised < _SETTLED:
                break
            for _ in range(_HALVINGS):
                higher = self._height(line.by @ (free + step) + line.offset, lapse)
                if higher > height:
                    free, height = free + step, higher
                    break
                step = step / 2.0
        return _Fit(height, line.by @ free + line.offset, free, lapse)

    def _chances(self, values: _Floats, lapse: float) -> tuple[_Floats, _Floats]:
        """Return the chance of each call, shape (3, calls), and both curves, shape (2, calls)."""
        curves = 0.5 + 0.5 * np.tanh(0.5 * (values[:2, None] - values[2] * self._errors))
        below, above = curves
        sure = np.stack([below, above - below, 1.0 - above])
        return (1.0 - lapse) * sure + lapse / 3.0, curves

    def _height(self, values: _Floats, lapse: float) -> float:
        """Return the log-likelihood, less what keeps b finite; minus infinity where impossible."""
        chance = np.sum(self._given * self._chances(values, lapse)[0], axis=0)
        if values[1] < values[0] or np.any(chance <= 0.0):
            return -math.inf
        return float(np.sum(np.log(chance)) - 0.5 * (values[2] * _FINEST_CENTS) ** 2)

    def _step(self, line: _Line, free: _Floats, lapse: float) -> tuple[_Floats, float]:
        """Return a step of ``free``, and twice what a parabola promises to gain by it."""
        values = line.by @ free + line.offset
        chances, curves = self._chances(values, lapse)
        slopes = (1.0 - lapse) * curves * (1.0 - curves)  # of the two curves, by a and by c
        odds = 1.0 / np.maximum(chances, 1e-12)
        share = self._given * odds
        scores = slopes * (share[:2] - share[1:])
        own = slopes**2 * (odds[:2] + odds[1:])
        both = -slopes[0] * slopes[1] * odds[1]
        by_edge = [np.stack([own[0], both]), np.stack([both, own[1]])]
        by_value = [*by_edge, -self._errors * (by_edge[0] + by_edge[1])]
        information = np.array([self._summed(column) for column in by_value])
        gradient = self._summed(scores)
        gradient[2] -= _FINEST_CENTS**2 * values[2]
        information[2, 2] += _FINEST_CENTS**2
        steady = 1e-9 * np.eye(len(free))  # where no call tells anything of a value
        along = gradient @ line.by
        step = np.linalg.solve(line.by.T @ information @ line.by + steady, along)
        return np.asarray(step, np.float64), float(along @ step)

    def _summed(self, by_edge: _Floats) -> _Floats:
        """Sum over the calls what stands for both curves: for a, for c, and for b of both."""
        first, second = by_edge.sum(axis=1)
        return np.array([first, second, -float(by_edge.sum(axis=0) @ self._errors)])
