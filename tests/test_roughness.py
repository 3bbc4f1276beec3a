"""Roughness against printed values, against plain loops, and by its properties."""

import math
from fractions import Fraction
from itertools import combinations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from appliance.practice.roughness import PARTIALS, roughness, strength

A3_HZ = 220.0
PITCHES = st.floats(30.0, 2000.0)

# Sethares' parametrisation, six partials at 0.88^(k - 1) over A3: computed from the published
# formula by a second hand, given with the plan for this program. Smoothest first.
PRINTED = [
    (Fraction(2), 0.1544),
    (Fraction(1), 0.2689),
    (Fraction(3, 2), 0.7969),
    (Fraction(5, 3), 1.1397),
    (Fraction(4, 3), 1.5909),
    (Fraction(5, 4), 2.0291),
    (Fraction(6, 5), 2.1955),
]


@pytest.mark.parametrize(("ratio", "value"), PRINTED)
def test_roughness_over_a3_to_four_decimals(ratio: Fraction, value: float) -> None:
    assert f"{float(roughness(A3_HZ, A3_HZ * float(ratio))):.4f}" == f"{value:.4f}"


def test_the_order_from_smooth_to_rough() -> None:
    ratios = [ratio for ratio, _ in PRINTED]
    found = roughness(A3_HZ, A3_HZ * np.array([float(ratio) for ratio in ratios]))
    assert np.all(np.diff(found) > 0.0)


def _by_loops(first_hz: float, second_hz: float) -> float:
    """The formula as it is printed, pair by pair."""
    tones = [(hz * k, 0.88 ** (k - 1)) for hz in (first_hz, second_hz) for k in range(1, 7)]
    total = 0.0
    for (hz, amplitude), (other_hz, other_amplitude) in combinations(tones, 2):
        apart = abs(hz - other_hz)
        s = 0.24 / (0.0207 * min(hz, other_hz) + 18.96)
        curve = math.exp(-3.51 * s * apart) - math.exp(-5.75 * s * apart)
        total += 5.0 * min(amplitude, other_amplitude) * curve
    return total


@given(PITCHES, PITCHES)
def test_roughness_is_the_sum_over_all_pairs(first_hz: float, second_hz: float) -> None:
    expected = _by_loops(first_hz, second_hz)
    assert float(roughness(first_hz, second_hz)) == pytest.approx(expected, rel=1e-9)
    assert float(roughness(second_hz, first_hz)) == pytest.approx(expected, rel=1e-9)


def test_shapes_broadcast() -> None:
    drones, notes = np.array([[110.0], [220.0]]), np.array([220.0, 330.0, 440.0])
    found = roughness(drones, notes)
    assert found.shape == (2, 3)
    assert found[1, 2] == pytest.approx(0.1544, abs=5e-5)


def test_partials_grow_weaker() -> None:
    assert [round(strength(k), 4) for k in range(1, PARTIALS + 1)] == [
        *(1.0, 0.88, 0.7744, 0.6815, 0.5997, 0.5277),
    ]
