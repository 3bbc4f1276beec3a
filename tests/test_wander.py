"""Intervals over whole sittings: against callers whose ear wanders from evening to evening."""

from dataclasses import replace

import pytest
from numpy.random import Generator, default_rng
from scipy import stats

from appliance.log.psychometric import Estimate, threshold
from appliance.log.wander import Calls, sitting_threshold, student_95
from tests.test_psychometric import RELIABLY, caller

BIAS, SMALLEST = 2.0, 6.0 + 2.5 * RELIABLY


def wandering(chance: Generator, sittings: int, each: int, wander_cents: float) -> Calls:
    """A player whose bias of two cents is another one every evening."""
    return tuple(
        (error, call, evening)
        for evening in range(sittings)
        for error, call in caller(chance, each, bias=BIAS + chance.normal(0.0, wander_cents))
    )


def _inside(estimate: Estimate, truth: float) -> bool:
    return estimate.low <= truth <= estimate.high


@pytest.mark.parametrize(("sittings", "each", "wander"), [(3, 20, 3.0), (8, 15, 3.0), (8, 15, 0.0)])
def test_the_planted_ear_lies_in_the_interval_though_it_wanders(
    sittings: int, each: int, wander: float
) -> None:
    """95 % intervals: of 40 callers, 34 or more with a chance of 99 % (binomial)."""
    chance = default_rng(31)
    every = (wandering(chance, sittings, each, wander) for _ in range(40))
    found = [sitting_threshold(calls, sides=False) for calls in every]
    heard = [one for one in found if one is not None]
    assert len(heard) >= 38
    assert all(one.sittings == sittings for one in heard)
    assert sum(_inside(one.bias, BIAS) for one in heard) >= 34
    assert sum(_inside(one.smallest, SMALLEST) for one in heard) >= 34


def test_calls_taken_as_independent_would_promise_too_much() -> None:
    """Why this module is there: the same callers without it."""
    chance = default_rng(31)
    every = [wandering(chance, 5, 40, 5.0) for _ in range(30)]
    plain = [threshold([one[:2] for one in calls], sides=False) for calls in every]
    assert sum(one is not None and _inside(one.bias, BIAS) for one in plain) <= 22


def test_the_interval_is_never_narrower_than_that_of_independent_calls() -> None:
    calls = wandering(default_rng(3), 6, 20, 0.0)
    plain = threshold([(error, call) for error, call, _ in calls])
    wide = sitting_threshold(calls)
    assert plain is not None
    assert wide is not None
    for name in ("bias", "smallest", "flat", "sharp"):
        narrow, own = getattr(plain, name), getattr(wide, name)
        assert own.cents == narrow.cents
        assert own.low <= narrow.low
        assert own.high >= narrow.high


def test_one_or_two_sittings_say_nothing_of_wandering() -> None:
    for sittings in (1, 2):
        calls = wandering(default_rng(4), sittings, 60, 3.0)
        plain = threshold([(error, call) for error, call, _ in calls])
        assert sitting_threshold(calls) == plain
        assert plain is not None
        assert plain.sittings == 0


def test_the_order_of_the_sittings_does_not_matter() -> None:
    calls = wandering(default_rng(5), 5, 20, 3.0)
    there, back = sitting_threshold(calls), sitting_threshold(calls[::-1])
    assert there is not None
    assert back is not None
    assert back.bias.low == pytest.approx(there.bias.low, abs=0.1)
    assert back.smallest.high == pytest.approx(there.smallest.high, abs=0.1)


def test_without_sides_the_rest_is_the_same() -> None:
    calls = wandering(default_rng(6), 4, 20, 3.0)
    whole = sitting_threshold(calls)
    assert whole is not None
    assert sitting_threshold(calls, sides=False) == replace(whole, flat=None, sharp=None)


def test_an_ear_that_one_evening_alone_has_shown_is_not_known_yet() -> None:
    """All that tells anything was called in one sitting: without it nothing is left."""
    told = wandering(default_rng(7), 1, 60, 0.0)
    errors = default_rng(8).normal(0.0, 12.0, 60)
    silent = tuple((float(error), told[0][1], 1 + n % 2) for n, error in enumerate(errors))
    assert sitting_threshold(told) is not None
    assert sitting_threshold(told + silent) is None


@pytest.mark.parametrize("freedom", [2, 3, 5, 10, 40])
def test_students_t_against_scipy(freedom: int) -> None:
    assert student_95(freedom) == pytest.approx(float(stats.t.ppf(0.975, freedom)), rel=0.01)


def test_no_few_calls_are_enough_over_many_sittings() -> None:
    calls = wandering(default_rng(9), 29, 1, 0.0)
    assert sitting_threshold(calls) is None
