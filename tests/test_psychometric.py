"""The psychometric fit: against SciPy, against callers with a planted ear, and when it keeps quiet.

The simulated callers draw their own noise; they share only the model's form with the fit.
"""

import math

import numpy as np
import pytest
from numpy.random import Generator, default_rng
from scipy.optimize import brentq, minimize
from scipy.special import expit

from appliance.log.psychometric import Estimate, Threshold, threshold
from appliance.vocabulary import Call

CALLS = (Call.FLAT, Call.IN_TUNE, Call.SHARP)
RELIABLY = math.log(3.0)

Trials = list[tuple[float, Call]]


def caller(
    chance: Generator,
    count: int,
    *,
    bias: float = 2.0,
    lenient: float = 6.0,
    spread: float = 2.5,
    lapse: float = 0.0,
) -> Trials:
    """A player who hears each error with a bias and noise, and says *in tune* up to ``lenient``."""
    errors = chance.normal(0.0, 12.0, count)
    heard = errors - bias + chance.logistic(0.0, spread, count)
    said = np.where(heard < -lenient, 0, np.where(heard > lenient, 2, 1))
    said = np.where(chance.random(count) < lapse, chance.integers(0, 3, count), said)
    return [(float(error), CALLS[call]) for error, call in zip(errors, said, strict=True)]


# --- Against SciPy ------------------------------------------------------------------------------


def _loss(trials: Trials, bias: float, smallest: float, spread: float, lapse: float) -> float:
    """The model written in cents, and no penalty: minus the log-likelihood."""
    errors = np.array([error for error, _ in trials])
    said = np.array([CALLS.index(call) for _, call in trials])
    half = smallest - RELIABLY * spread
    flat, sharp = expit((bias - half - errors) / spread), expit((errors - bias - half) / spread)
    chances = np.stack([flat, 1.0 - flat - sharp, sharp])
    chances = (1.0 - lapse) * chances + lapse / 3.0
    return -float(np.sum(np.log(np.maximum(chances[said, np.arange(len(said))], 1e-300))))


def _scipy_best(trials: Trials) -> tuple[float, float, float]:
    """Bias, smallest and loss where nothing is held; lapses as the fit tries them."""
    found = [
        minimize(
            lambda x, lapse=lapse: _loss(trials, x[0], x[1], math.exp(x[2]), lapse),
            [0.0, 8.0, 1.0],
            method="Nelder-Mead",
            options={"xatol": 1e-6, "fatol": 1e-9, "maxiter": 4000},
        )
        for lapse in (0.0, 0.03, 0.08)
    ]
    best = min(found, key=lambda result: result.fun)
    return float(best.x[0]), float(best.x[1]), float(best.fun)


def _scipy_excess(trials: Trials, held: float, least: float) -> float:
    """How much worse than ``least`` the fit with ``smallest`` held is, less what is allowed."""
    found = min(
        minimize(
            lambda x, lapse=lapse: _loss(trials, x[0], held, math.exp(x[1]), lapse),
            [0.0, 0.5],
            method="Nelder-Mead",
            options={"xatol": 1e-5, "fatol": 1e-8},
        ).fun
        for lapse in (0.0, 0.03, 0.08)
    )
    return float(found) - least - 3.8414588 / 2.0 * (1.0 + 6.0 / len(trials))


@pytest.mark.parametrize(("seed", "lapse"), [(1, 0.0), (2, 0.05)])
def test_the_fit_and_its_interval_against_scipy(seed: int, lapse: float) -> None:
    """SciPy's simplex search and root finder on the same likelihood, written another way."""
    trials = caller(default_rng(seed), 90, lapse=lapse)
    found = threshold(trials)
    assert found is not None
    bias, smallest, least = _scipy_best(trials)
    assert found.bias.cents == pytest.approx(bias, abs=0.1)
    assert found.smallest.cents == pytest.approx(smallest, abs=0.1)
    low = brentq(lambda at: _scipy_excess(trials, at, least), smallest - 6.0, smallest, xtol=0.02)
    high = brentq(lambda at: _scipy_excess(trials, at, least), smallest, smallest + 9.0, xtol=0.02)
    assert found.smallest.low == pytest.approx(low, abs=0.2)
    assert found.smallest.high == pytest.approx(high, abs=0.2)


# --- Against planted ears -----------------------------------------------------------------------


def _inside(estimate: Estimate | None, truth: float) -> bool:
    return estimate is not None and estimate.low <= truth <= estimate.high


def test_planted_thresholds_lie_in_their_intervals() -> None:
    """95 % intervals: of 50 callers, 43 or more with a chance of 99 % (binomial)."""
    chance = default_rng(11)
    smallest = 6.0 + 2.5 * RELIABLY
    found = [threshold(caller(chance, 60, lapse=0.02)) for _ in range(50)]
    heard = [each for each in found if each is not None]
    assert len(heard) >= 48
    for truth, estimates in (
        (2.0, [each.bias for each in heard]),
        (smallest, [each.smallest for each in heard]),
        (smallest - 2.0, [each.flat for each in heard]),
        (smallest + 2.0, [each.sharp for each in heard]),
    ):
        assert sum(_inside(estimate, truth) for estimate in estimates) >= 43


@pytest.mark.parametrize(
    ("bias", "lenient", "spread"), [(2.0, 6.0, 2.5), (-7.0, 3.0, 5.0), (0.0, 12.0, 1.0)]
)
def test_many_calls_give_the_planted_ear(bias: float, lenient: float, spread: float) -> None:
    trials = caller(default_rng(3), 4000, bias=bias, lenient=lenient, spread=spread)
    found = threshold(trials)
    assert found is not None
    assert found.bias.cents == pytest.approx(bias, abs=0.5)
    assert found.smallest.cents == pytest.approx(lenient + RELIABLY * spread, abs=0.5)
    assert found.lapse == 0.0


def test_a_slipping_foot_is_no_worse_ear() -> None:
    """Eight in a hundred calls at random: without a lapse the spread would take the blame."""
    found = threshold(caller(default_rng(4), 4000, lapse=0.08))
    assert found is not None
    assert found.lapse == 0.08
    assert found.smallest.cents == pytest.approx(6.0 + RELIABLY * 2.5, abs=0.6)


def test_sides_are_counted_from_the_target() -> None:
    found = threshold(caller(default_rng(5), 2000))
    assert found is not None
    assert found.flat is not None
    assert found.sharp is not None
    assert found.flat.cents == pytest.approx(found.smallest.cents - found.bias.cents)
    assert found.sharp.cents == pytest.approx(found.smallest.cents + found.bias.cents)


def test_more_calls_narrow_the_interval() -> None:
    widths = []
    for count in (60, 240, 960):
        found = threshold(caller(default_rng(6), count))
        assert found is not None
        widths.append(found.smallest.high - found.smallest.low)
    assert widths[0] > 1.5 * widths[1] > 2.2 * widths[2]


def _mirrored(trials: Trials) -> Trials:
    return [(-error, CALLS[2 - CALLS.index(call)]) for error, call in trials]


def test_flat_and_sharp_are_treated_alike() -> None:
    trials = caller(default_rng(7), 80)
    there, back = threshold(trials), threshold(_mirrored(trials))
    assert there is not None
    assert back is not None
    assert back.bias.cents == pytest.approx(-there.bias.cents, abs=0.05)
    assert back.bias.low == pytest.approx(-there.bias.high, abs=0.15)
    assert back.smallest.cents == pytest.approx(there.smallest.cents, abs=0.05)


def test_the_same_calls_give_the_same_answer_in_any_order() -> None:
    trials = caller(default_rng(8), 80)
    found = threshold(trials)
    assert found == threshold(list(trials))
    again = threshold(trials[::-1])
    assert isinstance(found, Threshold)
    assert isinstance(again, Threshold)
    assert again.smallest.cents == pytest.approx(found.smallest.cents, abs=1e-3)


# --- Not enough calls yet -----------------------------------------------------------------------


def test_few_calls_are_not_enough() -> None:
    trials = caller(default_rng(9), 30)
    assert threshold(trials) is not None
    assert threshold(trials[:29]) is None
    assert threshold([]) is None


def test_calls_that_tell_nothing_are_not_enough() -> None:
    chance = default_rng(10)
    errors = [float(error) for error in chance.normal(0.0, 12.0, 100)]
    assert threshold([(error, Call.IN_TUNE) for error in errors]) is None
    guesses = [(error, CALLS[chance.integers(0, 3)]) for error in errors]
    assert threshold(guesses) is None
    backwards = [(-error, call) for error, call in caller(chance, 100)]
    assert threshold(backwards) is None


def test_calls_without_a_mistake_have_a_threshold_in_the_gap() -> None:
    """In tune up to 6 cents, its side from 9 on; 4 and 12 are the next errors on either side."""
    cents = [-30, -20, -15, -12, -9, -6, -4, -2, -1, 0, 1, 2, 4, 6, 9, 12, 15, 20, 30] * 2
    trials = [
        (float(c), Call.IN_TUNE if abs(c) <= 6 else Call.FLAT if c < 0 else Call.SHARP)
        for c in cents
    ]
    found = threshold(trials)
    assert found is not None
    assert 6.0 < found.smallest.cents < 9.0
    assert 4.0 < found.smallest.low < found.smallest.high < 12.0
    assert found.bias.cents == pytest.approx(0.0, abs=0.01)
    assert _inside(found.bias, 0.0)
