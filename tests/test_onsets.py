"""Onsets: where a pitch set in, and whether a leap is one, by made-up rows of what stands out."""

import numpy as np
import pytest

from appliance.hearing.onsets import Onsets

LOWEST, STEP = 6000.0, 15.0  # cents
PITCHES = 200
HERE, OCTAVE_BELOW = LOWEST + 120 * STEP, LOWEST + 40 * STEP


def rows(*lines: tuple[float, list[float]]) -> np.ndarray:
    """One row for every hop, shape (hops, pitches); a line is a pitch and how far it stands out."""
    found = np.zeros((len(lines[0][1]), PITCHES), np.float32)
    for cents, line in lines:
        found[:, round((cents - LOWEST) / STEP)] = line
    return found


def onsets(*lines: tuple[float, list[float]]) -> Onsets:
    heard = Onsets(LOWEST, STEP)
    heard.put(rows(*lines), stop=len(lines[0][1]))
    return heard


def test_a_slow_attack_is_followed_back_to_where_its_pitch_set_in() -> None:
    heard = onsets((HERE, [0.0] * 10 + [0.1, 0.12, 0.15, 0.18] + [0.2] * 16))
    assert heard.set_in(HERE, earliest=0, at=18, now=29) == 10


def test_what_rings_on_at_the_same_pitch_is_silence() -> None:
    heard = onsets((HERE, [0.1] * 16 + [0.3] * 14))
    assert heard.set_in(HERE, earliest=0, at=18, now=29) == 16


def test_it_is_not_followed_back_into_the_note_before() -> None:
    heard = onsets((HERE, [0.2] * 30))
    assert heard.set_in(HERE, earliest=12, at=18, now=29) >= 12


def test_chunks_are_one_line() -> None:
    heard = Onsets(LOWEST, STEP)
    line = [0.0] * 10 + [0.2] * 20
    for begin in range(0, 30, 5):
        heard.put(rows((HERE, line[begin : begin + 5])), stop=begin + 5)
    assert heard.set_in(HERE, earliest=0, at=14, now=29) == 10


@pytest.mark.parametrize(
    ("after", "same"), [(0.2, True), (0.16, True), (0.05, False), (0.4, False)]
)
def test_a_slip_leaves_all_as_it_was(after: float, same: bool) -> None:
    heard = onsets((OCTAVE_BELOW, [0.2] * 15 + [after] * 15))
    assert heard.same(OCTAVE_BELOW, (2, 10), (20, 30)) is same


def test_what_is_no_longer_kept_is_not_the_same() -> None:
    heard = onsets((HERE, [0.2] * 30))
    assert not heard.same(HERE, (-20, -10), (20, 30))
