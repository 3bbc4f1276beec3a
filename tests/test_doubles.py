"""What makes a double stop of a note: a second string, and not the note's own vibrato."""

import numpy as np
import pytest

from appliance.hearing import doubles

OWN, NOWHERE = 6000.0, np.nan  # cents re 1 Hz
HOPS = 40


def _second(cents: float, below_db: float = -8.0) -> np.ndarray:
    return np.tile((cents, below_db), (HOPS, 1))


def _doubled(second: np.ndarray, own: float = OWN, first: float = OWN) -> bool:
    beside = doubles.beside(np.full(HOPS, first), second, NOWHERE, own)
    return doubles.doubled(beside, second)


@pytest.mark.parametrize("above", [-1200.0, -700.0, 300.0, 400.0, 1200.0])
def test_another_string_makes_a_double_stop(above: float) -> None:
    assert _doubled(_second(OWN + above))


@pytest.mark.parametrize("above", [-45.0, -33.0, 46.0])
def test_the_side_bands_of_a_wide_vibrato_do_not(above: float) -> None:
    # as they were heard on a double bass at 208 and 186 Hz, swinging by 26 cents
    assert not _doubled(_second(OWN + above))


def test_a_note_without_a_pitch_may_be_a_double_stop() -> None:
    assert _doubled(_second(OWN + 700.0), own=np.nan, first=np.nan)


def test_the_note_itself_beside_another_pitch_is_a_double_stop() -> None:
    # two strings about as loud take turns in being the louder one
    assert _doubled(_second(OWN), first=OWN + 800.0)


def test_a_string_that_is_seen_in_two_octaves_is_one() -> None:
    second = _second(OWN + 444.0)
    second[::2, 0] = OWN + 1599.0
    assert len(doubles.beside(np.full(HOPS, OWN), second, NOWHERE, OWN)) == HOPS
