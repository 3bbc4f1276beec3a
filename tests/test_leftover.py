"""What is left of a drone is no note; what is played in its octaves is one."""

import numpy as np
import pytest

from appliance.hearing.leftover import left_over
from appliance.hearing.reading import read_order
from appliance.hearing.sketches import NoteSketch
from appliance.vocabulary import Arrival
from tests.bench.intruders import DRONES, INSTRUMENT, hear
from tests.intruders import intrusion

ROOT_HZ = 220.0
FRAMES = 60
HOP_S = 0.01


def _sketch(hz: float, off_cents: float, over_db: float, disturbed: float = 0.0) -> NoteSketch:
    """A pitch that scatters evenly by ``off_cents`` to both sides, a share of it 50 cents off."""
    rng = np.random.default_rng(1)
    cents = 1200 * np.log2(hz) + rng.uniform(-off_cents, off_cents, FRAMES)
    cents[: round(disturbed * FRAMES)] += 50.0
    time_s = (np.arange(FRAMES) + 0.5) * HOP_S
    return NoteSketch(
        start_s=0.0,
        end_s=FRAMES * HOP_S,
        arrival=Arrival.BOW,
        slide_s=None,
        time_s=time_s,
        cents=cents,
        level_db=np.full(FRAMES, -35.0),
        over_db=np.full(FRAMES, over_db),
        apart=np.zeros(FRAMES),
    )


def _left(sketch: NoteSketch) -> bool:
    return left_over(sketch, ROOT_HZ, turned=False, talking=False)


@pytest.mark.parametrize("hz", [ROOT_HZ, 3 * ROOT_HZ, ROOT_HZ / 2, 19 / 3 * ROOT_HZ])
def test_what_lies_exactly_on_the_drone_is_left_of_it(hz: float) -> None:
    assert _left(_sketch(hz, 0.3, 12.0, disturbed=0.3))


def test_a_player_in_unison_scatters() -> None:
    assert not _left(_sketch(ROOT_HZ, 3.0, 12.0))


def test_the_louder_the_more_exact_it_must_be() -> None:
    assert _left(_sketch(ROOT_HZ, 0.3, 6.0, disturbed=0.45))
    assert not _left(_sketch(ROOT_HZ, 0.3, 12.0, disturbed=0.45))
    assert _left(_sketch(ROOT_HZ, 0.3, 18.0))
    assert not _left(_sketch(ROOT_HZ, 0.3, 18.0, disturbed=0.3))
    assert not _left(_sketch(ROOT_HZ, 0.3, 25.0))


@pytest.mark.parametrize("ratio", [4 / 3, 5 / 3, 3 / 2 * 1.003, 5 / 4])
def test_intervals_that_are_played_are_notes_however_exact(ratio: float) -> None:
    assert not _left(_sketch(ratio * ROOT_HZ, 0.3, 12.0))


def test_which_multiple_was_read() -> None:
    ratios = np.array([0.3, 0.5, 1.1, 1.34, 4.3, 6.3333, 6.49, 19.1])
    orders = np.array([0.5, 0.5, 1.0, 1.5, 4.5, 19 / 3, 6.5, 19.0])
    np.testing.assert_allclose(read_order(ratios), orders)


@pytest.mark.parametrize(("kind", "seed", "seconds"), [("rosin", 624, 40.0)])
def test_what_a_knock_leaves_is_nothing(kind: str, seed: int, seconds: float) -> None:
    """A room in which taps had left half a second of the drone at its own pitch."""
    assert hear(intrusion(kind, seed, seconds, DRONES[0]), INSTRUMENT) == []
