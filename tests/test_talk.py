"""Talk: what is a syllable and what a note, by made-up sketches. Real talk: test_intruders."""

from dataclasses import replace

import numpy as np
import pytest

from appliance.hearing.sketches import NoteSketch
from appliance.hearing.talk import Talk
from appliance.vocabulary import Arrival

HOP_S = 0.01
LINES = "time_s", "cents", "level_db", "over_db", "apart"


def sketch(
    start_s: float, lasts_s: float, cents_a_second: float = 0.0, frames: int = 99
) -> NoteSketch:
    time_s = np.arange(start_s, start_s + lasts_s, HOP_S)[:frames]
    cents = 8000.0 + cents_a_second * (time_s - start_s)
    level = np.full(len(time_s), -20.0)
    return NoteSketch(
        start_s, start_s + lasts_s, Arrival.BOW, None, time_s, cents, level, level + 40.0, 0 * level
    )


def kept(sketches: list[NoteSketch]) -> list[bool]:
    """Which of them are notes, though none can be measured."""
    talk = Talk()
    return [not talk.heard(s) and not talk.alone(s) for s in sketches]


@pytest.mark.parametrize("lasts_s", [0.2, 0.7])
def test_what_never_stands_still_is_a_syllable(lasts_s: float) -> None:
    assert kept([sketch(1.0, lasts_s, cents_a_second=400.0)]) == [False]


def test_what_lasts_is_a_note() -> None:
    assert kept([sketch(1.0, 0.8, cents_a_second=400.0)]) == [True]


def test_what_lasts_and_has_hardly_a_frame_of_pitch_is_none() -> None:
    assert kept([sketch(1.0, 0.8, frames=3)]) == [False]


def test_what_lasts_and_comes_in_scraps_must_stand_still() -> None:
    """Of several syllables, taken for one note, a pitch is heard now and then."""
    whole = sketch(1.0, 0.9, cents_a_second=400.0), sketch(3.0, 0.9)
    scraps = [replace(s, **{k: getattr(s, k)[::3] for k in LINES}) for s in whole]
    assert kept(scraps) == [False, True]


def test_a_short_sound_by_itself_is_no_note() -> None:
    assert kept([sketch(1.0, 0.1), sketch(4.0, 0.3)]) == [False, False]


def test_one_of_several_is() -> None:
    run = [sketch(1.0 + 0.15 * k, 0.12) for k in range(6)]
    assert kept(run) == [False, True, True, True, True, True]


def test_beeps_that_come_evenly_are_no_notes_and_short_strokes_are() -> None:
    beeps = [sketch(1.0 + 0.48 * k, 0.1) for k in range(6)]
    strokes = [sketch(9.0 + 0.48 * k, 0.2) for k in range(6)]
    assert kept(beeps + strokes) == 7 * [False] + 5 * [True]


def test_a_short_sound_after_a_note_is_a_note() -> None:
    assert kept([sketch(1.0, 1.2), sketch(2.3, 0.1)]) == [True, True]


def test_syllables_are_no_company() -> None:
    assert kept([sketch(1.0, 0.2, cents_a_second=400.0), sketch(1.3, 0.1)]) == [False, False]
