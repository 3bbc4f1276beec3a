"""Whether two stretches of weeks differ: shares like for like, with intervals over whole sittings.

Pure. Only notes over the same drone, with it or without, that both stretches have are compared, and
each such condition has the same weight on both sides, so that a share cannot change because easier
notes were played. The weight is n1 · n2 / (n1 + n2), which is Cochran's (Some methods for
strengthening the common chi-squared tests, Biometrics 10 (1954) 417-451; from memory).

Notes of one evening are not independent. So whole sittings are resampled: each is left out in turn,
on its side, and the difference is counted again (the jackknife, as in :mod:`~.wander`). With
Welch's degrees of freedom and Student's t this gives the 95 % interval; where every sitting has as
many notes it is Welch's interval for the difference of two means. Sittings that happen to agree
cannot make it narrower than Newcombe's interval for independent notes. Nothing is drawn at random.
"""

import math
from collections import Counter
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from operator import attrgetter

import numpy as np
from numpy.typing import NDArray

from appliance.log.judging import Landing, sittings_of
from appliance.log.tallies import FEW, wilson
from appliance.log.wander import FEWEST_SITTINGS, student_95
from appliance.vocabulary import Outcome

Counts = NDArray[np.float64]

# Asked of every landing of both stretches.
_CONDITIONS: Callable[[Landing], Hashable] = attrgetter("conditions")
_OUTCOME: Callable[[Landing], Outcome] = attrgetter("outcome")
_LEAST_FREEDOM = 2  # below, Student's t is no longer near its expansion, and nothing can be told


class Verdict(StrEnum):
    """What may be said of a difference."""

    MORE = "more"
    FEWER = "fewer"
    UNTOLD = "not enough to tell"


class Meaning(StrEnum):
    """What the change of landed and rescued notes together means."""

    LANDING_MORE = "landing more"
    LANDING_LESS = "landing less"
    CORRECTING_MORE = "correcting more, not landing more"
    UNTOLD = "not enough to tell"


@dataclass(frozen=True, slots=True)
class Difference:
    """A share before and after, 0 to 1, weighted alike, and the 95 % interval of their difference.

    ``low`` and ``high`` are the ends of after minus before.
    """

    before: float
    after: float
    low: float
    high: float

    @property
    def change(self) -> float:
        """After minus before."""
        return self.after - self.before

    @property
    def verdict(self) -> Verdict:
        """More or fewer only where the interval leaves out "no change"."""
        if self.low > 0.0:
            return Verdict.MORE
        return Verdict.FEWER if self.high < 0.0 else Verdict.UNTOLD


@dataclass(frozen=True, slots=True)
class Change:
    """What changed between two stretches, like for like.

    ``lead`` is the rescued share less the landed one. ``notes`` and ``sittings`` count what could
    be compared, before and after.
    """

    landed: Difference
    rescued: Difference
    lead: Difference
    notes: tuple[int, int]
    sittings: tuple[int, int]

    @property
    def meaning(self) -> Meaning:
        """Say what it means.

        *Correcting more, not landing more*: rescued has grown, landed cannot be told to have
        changed, and what rescued gained is more than what landed can have gained, all three by
        their intervals.
        """
        if self.landed.verdict is Verdict.MORE:
            return Meaning.LANDING_MORE
        if self.landed.verdict is Verdict.FEWER:
            return Meaning.LANDING_LESS
        if self.rescued.verdict is Verdict.MORE and self.lead.verdict is Verdict.MORE:
            return Meaning.CORRECTING_MORE
        return Meaning.UNTOLD


@dataclass(frozen=True, slots=True)
class _Side:
    """One stretch: for each sitting (rows) and condition (columns) how many notes, of what."""

    notes: Counts
    landed: Counts
    rescued: Counts

    def those(self, columns: NDArray[np.bool_]) -> "_Side":
        """Keep some conditions, and the sittings that have any of them."""
        rows = self.notes[:, columns].any(axis=1)
        return _Side(
            *(counts[rows][:, columns] for counts in (self.notes, self.landed, self.rescued))
        )


def change_between(before: Sequence[Landing], after: Sequence[Landing]) -> Change | None:
    """Compare two stretches of landings.

    ``None``, and so not enough to tell: fewer than eight notes to compare, or fewer than three
    sittings with them, on either side, or sittings so unlike that one decides.
    """
    conditions = list(set(map(_CONDITIONS, before)) & set(map(_CONDITIONS, after)))
    sides = [_side(landings, conditions) for landings in (before, after)]
    if any(len(side.notes) < FEWEST_SITTINGS or side.notes.sum() < FEW for side in sides):
        return None
    first, second = (side.notes.sum(axis=0) > 0 for side in sides)
    one, two = (side.those(first & second) for side in sides)
    landed = _difference(one.notes, one.landed, two.notes, two.landed)
    rescued = _difference(one.notes, one.rescued, two.notes, two.rescued)
    lead = _difference(
        one.notes, one.rescued - one.landed, two.notes, two.rescued - two.landed, share=False
    )
    if landed is None or rescued is None or lead is None:
        return None
    return Change(
        landed,
        rescued,
        lead,
        notes=(int(one.notes.sum()), int(two.notes.sum())),
        sittings=(len(one.notes), len(two.notes)),
    )


def newcombe(
    successes: int, trials: int, other_successes: int, other_trials: int
) -> tuple[float, float]:
    """Return the 95 % interval of the first rate less the other, all notes being independent.

    R. G. Newcombe, Interval estimation for the difference between independent proportions:
    comparison of eleven methods, Statist. Med. 17 (1998) 873-890, method 10.
    """
    rate, other = successes / trials, other_successes / other_trials
    low, high = wilson(successes, trials)
    other_low, other_high = wilson(other_successes, other_trials)
    return (
        rate - other - math.hypot(rate - low, other_high - other),
        rate - other + math.hypot(high - rate, other - other_low),
    )


def _side(landings: Sequence[Landing], conditions: Sequence[Hashable]) -> _Side:
    place = {condition: index for index, condition in enumerate(conditions)}
    every = Counter(
        zip(
            sittings_of(landings),
            map(_CONDITIONS, landings),
            map(_OUTCOME, landings),
            strict=True,
        )
    )
    counts = {key: number for key, number in every.items() if key[1] in place}
    sittings = {name: index for index, name in enumerate(sorted({key[0] for key in counts}))}
    table = {
        outcome: np.zeros((len(sittings), len(conditions)))
        for outcome in (Outcome.LANDED, Outcome.RESCUED, Outcome.MISSED)
    }
    for (sitting, condition, outcome), number in counts.items():
        table[outcome][sittings[sitting], place[condition]] = number
    landed, rescued, missed = table.values()
    return _Side(landed + rescued + missed, landed, rescued)


def _difference(
    notes: Counts, found: Counts, notes_after: Counts, found_after: Counts, *, share: bool = True
) -> Difference | None:
    """Compare one kind of outcome; sittings are rows, conditions columns.

    ``share`` is false where what is found is no count of notes.
    """
    total, total_after = (_sums(notes), _sums(found)), (_sums(notes_after), _sums(found_after))
    before, after = (float(value[0]) for value in _weighted(*total, *total_after))
    left_out = _weighted(*_rests(notes, found), *total_after)
    left_out_after = _weighted(*total, *_rests(notes_after, found_after))
    half = _half([after - before for before, after in (left_out, left_out_after)])
    if half is None:
        return None
    low, high = after - before - half, after - before + half
    if share:
        low, high = _no_narrower(low, high, after - before, (total, total_after))
    return Difference(before, after, low, high)


def _sums(counts: Counts) -> Counts:
    return np.asarray(counts.sum(axis=0, keepdims=True))


def _rests(notes: Counts, found: Counts) -> tuple[Counts, Counts]:
    """What is left of all sittings without each of them in turn."""
    return _sums(notes) - notes, _sums(found) - found


def _weighted(
    notes: Counts, found: Counts, notes_after: Counts, found_after: Counts
) -> tuple[Counts, Counts]:
    """Shares before and after, every condition with the same weight on both sides."""
    with np.errstate(divide="ignore", invalid="ignore"):
        weights = np.nan_to_num(notes * notes_after / (notes + notes_after))
        shares = [
            np.nan_to_num(part / of) for part, of in ((found, notes), (found_after, notes_after))
        ]
        before, after = ((weights * part).sum(axis=1) / weights.sum(axis=1) for part in shares)
    return before, after


def _half(left_out: Sequence[Counts]) -> float | None:
    """Half the interval's width; ``None`` where one sitting decides, or too few are left."""
    if not all(np.isfinite(values).all() for values in left_out):
        return None
    squares = [
        (len(values) - 1) / len(values) * float(((values - values.mean()) ** 2).sum())
        for values in left_out
    ]
    square = math.fsum(squares)
    if square == 0.0:
        return 0.0
    parts = [part**2 / (len(values) - 1) for part, values in zip(squares, left_out, strict=True)]
    freedom = square**2 / math.fsum(parts)
    if freedom < _LEAST_FREEDOM:
        return None
    return student_95(freedom) * math.sqrt(square)


def _no_narrower(
    low: float,
    high: float,
    change: float,
    totals: tuple[tuple[Counts, Counts], tuple[Counts, Counts]],
) -> tuple[float, float]:
    """Widen an interval to that of independent notes, set about the same change."""
    (notes, found), (notes_after, found_after) = totals
    numbers = [int(counts.sum()) for counts in (found_after, notes_after, found, notes)]
    least_low, least_high = newcombe(*numbers)
    plain = numbers[0] / numbers[1] - numbers[2] / numbers[3]
    return min(low, change + least_low - plain), max(high, change + least_high - plain)
