"""Counting landings: rates with their interval, typical error and side, bias apart from spread."""

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from appliance.tuning import UNGRADED_CENTS
from appliance.vocabulary import Outcome

FEW = 8  # with fewer landings a row says so: its interval is wider than half the scale
Z_95 = statistics.NormalDist().inv_cdf(0.975)

COUNTED = (Outcome.LANDED, Outcome.RESCUED, Outcome.MISSED)


def wilson(successes: int, trials: int) -> tuple[float, float]:
    """Return Wilson's 95 % score interval for a rate, both ends 0 to 1 (nothing known: 0 and 1).

    E. B. Wilson, Probable inference, the law of succession, and statistical inference,
    J. Amer. Statist. Assoc. 22 (1927) 209-212. Raises ValueError unless 0 <= successes <= trials.
    """
    if not 0 <= successes <= trials:
        raise ValueError(f"{successes} of {trials} is no rate")
    if not trials:
        return 0.0, 1.0
    rate = successes / trials
    square = Z_95 * Z_95
    centre = rate + square / (2 * trials)
    half = Z_95 * math.sqrt(rate * (1 - rate) / trials + square / (4 * trials * trials))
    scale = 1 + square / trials
    return max(0.0, (centre - half) / scale), min(1.0, (centre + half) / scale)


@dataclass(frozen=True, slots=True)
class Tally:
    """What became of some notes, and how their landings lay.

    ``typical_cents`` is the median landing error (the bias: sharp or long positive), and
    ``spread_cents`` the median distance from it: half of the landings lie within that much of the
    typical one. Both are ``None`` without landings.
    """

    landed: int
    rescued: int
    missed: int
    typical_cents: float | None
    spread_cents: float | None

    @property
    def count(self) -> int:
        """How many notes."""
        return self.landed + self.rescued + self.missed

    @property
    def interval(self) -> tuple[float, float]:
        """95 % interval of the landed share, 0 to 1."""
        return wilson(self.landed, self.count)

    @property
    def few(self) -> bool:
        """Whether there are too few notes to say much."""
        return self.count < FEW

    @property
    def side(self) -> int:
        """Side of the typical error: -1 flat (or short), 1 sharp (or long), 0 not graded."""
        typical = self.typical_cents
        if typical is None or abs(typical) < UNGRADED_CENTS:
            return 0
        return 1 if typical > 0 else -1


def tally(tries: Sequence[tuple[Outcome, float]]) -> Tally:
    """Count ``(outcome, landing error in cents)`` pairs; every outcome must be a counted one."""
    return count([outcome for outcome, _ in tries], [error for _, error in tries])


def count(outcomes: Sequence[Outcome], errors: Sequence[float]) -> Tally:
    """Count outcomes with their landing errors in cents, as :func:`tally` does."""
    sizes = np.array(errors, np.float64)
    typical = middle(sizes) if errors else None
    return Tally(
        landed=outcomes.count(Outcome.LANDED),
        rescued=outcomes.count(Outcome.RESCUED),
        missed=outcomes.count(Outcome.MISSED),
        typical_cents=typical,
        spread_cents=None if typical is None else middle(np.abs(sizes - typical)),
    )


def middle(values: NDArray[np.float64]) -> float:
    """Return the median; for the few values of a row much faster than numpy's own."""
    ordered, half = np.sort(values), len(values) // 2
    return float(ordered[half] if len(ordered) % 2 else (ordered[half - 1] + ordered[half]) / 2)
