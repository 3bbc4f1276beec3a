"""What makes a double stop of a note: a second string, and not the note's own vibrato."""

import numpy as np
import pytest

from appliance.hearing import doubles

OWN, NOWHERE = 6000.0, np.nan  # cents re 1 Hz
HOPS = 40


def _second(cents: float, below_db: float = -8.0) -> np.ndarray:
    return np.tile((cents, below_db), (HOPS, 1))


@pytest.mark.parametrize("above", [-1200.0, -700.0, 300.0, 400.0, 1200.0])
def test_another_string_makes_a_double_stop(above: float) -> None:
    second = _second(OWN + above)
    assert doubles.doubled(doubles.beside(second, NOWHERE, OWN), second)


@pytest.mark.parametrize("above", [-45.0, -33.0, 46.0])
def test_the_side_bands_of_a_wide_vibrato_do_not(above: float) -> None:
    # as they were heard on a double bass at 208 and 186 Hz, swinging by 26 cents
    second = _second(OWN + above)
    assert not doubles.doubled(doubles.beside(second, NOWHERE, OWN), second)


def test_a_note_without_a_pitch_may_be_a_double_stop() -> None:
    second = _second(OWN + 700.0)
    assert doubles.doubled(doubles.beside(second, NOWHERE, np.nan), second)
