"""How one note became the next: by what stands out on the way, and by trees that were grown."""

import numpy as np
import pytest

from appliance.hearing import joins
from appliance.hearing.grown_joins import GROWN
from appliance.hearing.joins import BACK_HOPS, WAYS, Forest, Join, Node, Standing
from appliance.hearing.passages import Crossing
from appliance.hearing.strokes import Dip
from appliance.vocabulary import Arrival

AFTER_HOPS = 15
HOPS = np.arange(BACK_HOPS + AFTER_HOPS)
STANDING = Standing(
    old_gone=2.0, changed=0.0, old_share=1.0, middle_share=0.3, least_share=0.8, spread=0.45
)
STEP = Join(200.0, Dip(0, 2.0, 1.0), Crossing([30], 0.03, 0.03, 0.04, (0.4, 0.4)), STANDING)


def gliding(hops: float) -> np.ndarray:
    """One pitch on its way: strength within a sixth of the way about it."""
    at = np.clip((HOPS - BACK_HOPS + hops / 2) / hops, 0.0, 1.0)
    return np.exp(-(((WAYS[:, None] - at) / 0.17) ** 2))


def crossing(hops: float, dip: float = 0.0) -> np.ndarray:
    """Two pitches, one softer while the other gets louder, with nothing between."""
    share = np.clip((HOPS - BACK_HOPS + hops / 2) / hops, 0.0, 1.0)
    lines = np.zeros((len(WAYS), len(HOPS)))
    lines[0], lines[-1] = 1.0 - share, share
    return lines * np.where(np.abs(HOPS - BACK_HOPS) <= 2, 1.0 - dip, 1.0)


def test_both_pitches_at_once_are_spread_over_the_way_and_a_glide_is_not() -> None:
    assert joins._standing(crossing(6.0)).spread == pytest.approx(0.5, abs=0.05)
    assert joins._standing(gliding(14.0)).spread < 0.2


def test_a_glide_stands_out_in_the_middle_of_its_way() -> None:
    assert joins._standing(gliding(14.0)).middle_share > 0.9
    assert joins._standing(crossing(6.0)).middle_share == pytest.approx(0.0, abs=0.01)


def test_where_the_bow_stops_nothing_stands_out() -> None:
    assert joins._standing(crossing(4.0, dip=0.9)).least_share < 0.1
    assert joins._standing(crossing(4.0)).least_share > 0.4


def test_how_long_the_old_pitch_stays() -> None:
    seen = joins._standing(crossing(8.0))
    assert 1 <= seen.old_gone <= 4  # 30 % is left when seven tenths have passed
    assert abs(seen.changed) <= 1
    assert seen.old_share == pytest.approx(1.0)


def test_silence_measures_without_a_fault() -> None:
    assert np.isfinite(joins._standing(np.zeros((len(WAYS), len(HOPS))))).all()


def test_measures_come_in_the_order_of_the_trees() -> None:
    join = STEP._replace(
        jump=-200.0, crossing=Crossing([30, 31], 0.02, np.nan, 0.04, (np.nan, 0.4))
    )
    assert join.measures == (2.0, 1.0, 2, -1.0, 0.04, 200.0, *STANDING)


def test_trees_are_read_as_they_are_written() -> None:
    forest = Forest.read({"bow": (0.5, "0:7.5 0:3 -1 0.25 2"), "step": (1.0, "2:1 0.5 -0.5 0.25")})
    assert forest.trees[Arrival.BOW] == [Node(0, 7.5, Node(0, 3.0, -1.0, 0.25), 2.0)]
    assert forest.trees[Arrival.STEP] == [Node(2, 1.0, 0.5, -0.5), 0.25]
    assert forest.likeliest(STEP) is Arrival.STEP
    assert forest.likeliest(STEP._replace(dip=Dip(0, 8.0, 1.0))) is Arrival.BOW


def test_what_was_grown_knows_the_plain_cases() -> None:
    forest = Forest.read(GROWN)
    bow = STEP._replace(dip=Dip(0, 16.0, 8.0), standing=STANDING._replace(least_share=0.1))
    slide = STEP._replace(
        crossing=Crossing([*range(30, 42)], 0.12, 0.14, 0.15, (0.1, 0.1)),
        standing=STANDING._replace(changed=3.0, middle_share=0.9, spread=0.2),
    )
    assert forest.likeliest(STEP) is Arrival.STEP
    assert forest.likeliest(bow) is Arrival.BOW
    assert forest.likeliest(slide) is Arrival.SLIDE
