"""Passages: by made-up lines of pitch, hop by hop; what the whole ear makes of them: test_notes."""

from collections import deque
from dataclasses import replace

import numpy as np
import pytest

from appliance.hearing import strokes
from appliance.hearing.ear import Ear
from appliance.hearing.grid import STEP_CENTS as GRID_CENTS
from appliance.hearing.notes import NoteFinder
from appliance.hearing.passages import Passage, cross, glide_end, glide_s
from appliance.hearing.sketches import NoteSketch
from appliance.hearing.traces import Hop, Traces
from appliance.settings import Settings
from appliance.vocabulary import Arrival, NoteEnded

HOP_S = 0.01
LOW, HIGH = 6900.0, 7400.0  # cents re 1 Hz: a fifth below and above, roughly, 54 and 72 Hz
NO_BANDS = np.zeros(5)


def traces(cents: list[float], quick: list[float], level: list[float]) -> Traces:
    found = Traces()
    for fine, aubio, level_db in zip(cents, quick, level, strict=True):
        found.add(Hop(fine, aubio, level_db, 20.0, np.nan, -200.0, False, NO_BANDS))
    return found


def moved(hops: int, before: int = 30, after: int = 40, to: float = HIGH) -> list[float]:
    """From LOW along half a cosine."""
    way = 0.5 - 0.5 * np.cos(np.pi * (np.arange(hops) + 0.5) / max(hops, 1))
    return [LOW] * before + (LOW + (to - LOW) * way).tolist() + [to] * after


def passage(hops: int, jump: float = HIGH - LOW) -> Passage:
    return Passage(LOW, jump, left=29, arrived=30 + hops)


def level(hops: int) -> list[float]:
    return [-20.0] * (70 + hops)


@pytest.mark.parametrize("strayed", [np.nan, LOW - 500.0, HIGH + 300.0])
def test_a_glide_in_which_aubio_strays_is_still_one(strayed: float) -> None:
    line = moved(14)
    quick = [strayed if 32 <= k < 42 else c for k, c in enumerate(line)]
    seen = traces(line, quick, level(14))
    assert glide_end(passage(14), cross(passage(14), seen, HOP_S), HOP_S) == pytest.approx(
        44, abs=2
    )
    assert glide_s(passage(14), seen, HOP_S) == pytest.approx(0.14, abs=0.03)


def test_an_octave_off_is_put_right() -> None:
    line = moved(14)
    quick = [c + 1200.0 if 32 <= k < 42 else c for k, c in enumerate(line)]
    blurred = moved(20, before=27, after=37)  # the other estimator alone would read 0.2 s
    seen = traces(blurred, quick, level(14))
    assert glide_s(passage(14), seen, HOP_S) == pytest.approx(0.14, abs=0.025)


@pytest.mark.parametrize("aubio", [True, False])
def test_of_an_estimator_that_stood_and_then_leapt_nothing_is_believed(aubio: bool) -> None:
    line = moved(14)
    leapt = [LOW + 0.08 * (HIGH - LOW) if 30 <= k < 38 else c for k, c in enumerate(line)]
    seen = traces(line, leapt, level(14)) if aubio else traces(leapt, line, level(14))
    assert glide_s(passage(14), seen, HOP_S) == pytest.approx(0.14, abs=0.02)


def test_a_slow_glide_is_measured_to_where_it_came_to_stay() -> None:
    whole = moved(19, to=LOW + 120.0)
    early = Passage(LOW, 80.0, left=29, arrived=42)  # known before it was over
    seen = traces(whole, whole, level(19))
    at = list(range(42, 89))
    onward = early.to(at, whole[42:])
    assert onward.jump == pytest.approx(120.0, abs=2.0)
    assert glide_s(early, seen, HOP_S) < 0.155
    assert glide_s(onward, seen, HOP_S) == pytest.approx(0.19, abs=0.025)


def test_no_note_begins_before_it_is_heard() -> None:
    # the estimators have seen it arrive, and the glide seems to go on beyond what was heard
    finder = NoteFinder(HOP_S, 1, LOW - 1000.0)
    line = moved(30, after=0)
    finder._traces = traces(line, line, level(30)[: len(line)])
    pitches = LOW - 1000.0 + GRID_CENTS * np.arange(120)
    stands = np.exp(-(((pitches - np.array(line)[:, None]) / 40.0) ** 2))
    finder._onsets.put(stands.astype(np.float32), len(line))
    note = finder._arrive(Passage(LOW, HIGH - LOW, left=29, arrived=56))
    assert note.arrival is Arrival.SLIDE
    assert note.start <= finder._traces.now


@pytest.mark.parametrize(
    ("before_db", "dip_db", "after_db", "depth_db"),
    [
        (-20.0, -20.0, -20.0, 0.0),
        (-20.0, -32.0, -20.0, 12.0),
        (-20.0, -32.0, -28.0, 8.0),  # from the mean of both notes: the new one is softer
    ],
)
def test_a_dip_is_counted_from_both_notes(
    before_db: float, dip_db: float, after_db: float, depth_db: float
) -> None:
    line = moved(2)
    levels = [before_db] * 28 + [dip_db] * 4 + [after_db] * 40
    found = strokes.dip(traces(line, line, levels), left=29, arrived=32)
    assert found.depth_db == pytest.approx(depth_db)
    if depth_db:
        assert 28 <= found.low < 32


def sketch(hz: float, start_s: float, end_s: float, over_db: float, arrival: Arrival) -> NoteSketch:
    time_s = np.arange(start_s, end_s, HOP_S)
    still = np.full(len(time_s), 1.0)
    return NoteSketch(
        start_s,
        end_s,
        arrival,
        None,
        time_s,
        still * 1200 * np.log2(hz),
        -20 * still,
        over_db * still,
        0.0 * still,
    )


@pytest.mark.parametrize(("over_db", "arrival"), [(0.0, "bow"), (30.0, "step")])
def test_nobody_steps_from_what_nobody_played(over_db: float, arrival: str) -> None:
    ear = Ear(Settings(), "viola", 48000.0)
    ear._drones = deque([(0.0, 220.0)])
    ear._ended(sketch(220.0, 1.0, 1.4, over_db, Arrival.BOW))
    events = ear._ended(sketch(293.66, 1.4, 2.2, 30.0, Arrival.STEP))
    (note,) = [event.note for event in events if isinstance(event, NoteEnded)]
    assert note.arrival.value == arrival


@pytest.mark.parametrize("talked", [False, True])
def test_after_talk_what_lies_exactly_on_the_drone_is_left_of_it(talked: bool) -> None:
    """Its first frames, while they still talk, may stray."""
    ear = Ear(Settings(), "viola", 48000.0)
    ear._drones = deque([(0.0, 220.0)])
    if talked:
        syllable = sketch(300.0, 1.0, 1.2, 30.0, Arrival.BOW)
        assert ear._ended(replace(syllable, cents=np.linspace(0.0, 400.0, 20))) == []
    for start_s, end_s in ((2.0, 5.3), (6.0, 7.3)):  # the second a while after the talk
        note = sketch(660.0, start_s, end_s, 16.0, Arrival.BOW)
        strays = np.where(np.arange(len(note.cents)) < 0.15 * len(note.cents), 5.0, 0.0)
        assert (ear._ended(replace(note, cents=note.cents + strays)) == []) is talked
