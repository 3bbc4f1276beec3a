"""How much an ear wanders from sitting to sitting: intervals over whole sittings. Pure.

Calls of one evening are not independent: an ear that is set two cents high tonight is so for all of
them. So whole sittings are resampled: each is left out in turn and the rest is fitted again. From
how far the results lie apart follows the delete-a-group jackknife's standard error (Tukey 1958;
Efron & Tibshirani, An Introduction to the Bootstrap, 1993, chapter 11; both from memory), and with
Student's t a 95 % interval. Of that interval and the one of independent calls, the wider ends
count. Nothing is drawn at random, and each sitting costs one fit.
"""

import math
from collections import defaultdict
from collections.abc import Callable, Hashable, Sequence
from dataclasses import replace
from functools import lru_cache

from appliance.log.psychometric import FARTHEST_CENTS, Estimate, Point, Threshold, point, threshold
from appliance.log.tallies import Z_95
from appliance.vocabulary import Call

FEWEST_SITTINGS = 3  # two differ, but hardly say by how much others would

Calls = tuple[tuple[float, Call, Hashable], ...]


@lru_cache(maxsize=96)  # a page asks again for what has not changed, some forty fits
def sitting_threshold(calls: Calls, *, sides: bool = True) -> Threshold | None:
    """Fit ``(landing error in cents, call, sitting)``; ``None``: not enough calls yet.

    With fewer than three sittings nothing is known of how the ear wanders: the intervals are those
    of independent calls, and ``sittings`` is 0. Not enough are also calls whose interval, with the
    wandering, is wider than a semitone to either side.
    """
    found = threshold([(error, call) for error, call, _ in calls], sides=sides)
    rests = _rests(calls)
    if found is None or len(rests) < FEWEST_SITTINGS:
        return found
    points = [point(rest, found.lapse) for rest in rests]
    others = [one for one in points if one is not None]
    if len(others) < len(points):
        return None  # without one sitting nothing is left to tell
    bias = _widened(found.bias, others, lambda one: one.bias)
    smallest = _widened(found.smallest, others, lambda one: one.smallest)
    if bias is None or smallest is None:
        return None
    return replace(
        found,
        bias=bias,
        smallest=smallest,
        flat=_widened(found.flat, others, lambda one: one.flat),
        sharp=_widened(found.sharp, others, lambda one: one.sharp),
        sittings=len(rests),
    )


def _rests(calls: Calls) -> list[list[tuple[float, Call]]]:
    """Return the calls without each of the sittings in turn."""
    sittings: dict[Hashable, set[int]] = defaultdict(set)
    for index, (_, _, sitting) in enumerate(calls):
        sittings[sitting].add(index)
    return [
        [(error, call) for index, (error, call, _) in enumerate(calls) if index not in left_out]
        for left_out in sittings.values()
    ]


def _widened(
    estimate: Estimate | None, others: Sequence[Point], value: Callable[[Point], float]
) -> Estimate | None:
    if estimate is None:
        return None
    half = student_95(len(others) - 1) * _standard_error([value(one) for one in others])
    low, high = estimate.cents - half, estimate.cents + half
    if low < -FARTHEST_CENTS or high > FARTHEST_CENTS:
        return None
    return Estimate(estimate.cents, min(low, estimate.low), max(high, estimate.high))


def _standard_error(values: Sequence[float]) -> float:
    """Return the jackknife's standard error: √((n - 1) / n · Σ (value - mean)²)."""
    mean = math.fsum(values) / len(values)
    square = math.fsum((value - mean) ** 2 for value in values)
    return math.sqrt((len(values) - 1) / len(values) * square)


def student_95(freedom: float) -> float:
    """Return Student's t for a two-sided 95 % interval, two degrees of freedom or more.

    Cornish-Fisher expansion in 1/freedom (Abramowitz & Stegun 26.7.5, from memory); within one per
    cent of the exact value.
    """
    z = Z_95
    terms = (
        (z**3 + z) / 4,
        (5 * z**5 + 16 * z**3 + 3 * z) / 96,
        (3 * z**7 + 19 * z**5 + 17 * z**3 - 15 * z) / 384,
        (79 * z**9 + 776 * z**7 + 1482 * z**5 - 1920 * z**3 - 945 * z) / 92160,
    )
    return z + sum(term / freedom**power for power, term in enumerate(terms, 1))
