"""Calls and their answers in a running room: what is heard, and what the log has."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from appliance.practice.cues import Cue
from appliance.vocabulary import Call, NoteEnded, NoteLanded
from tests.by_foot import A3, E4, PURE_E4, now_s, opened, play
from tests.log_rows import bent
from tests.soundcard import wait_for
from tests.stage import LEFT, MIDDLE, RIGHT, SETTINGS, Stage, note


@pytest.fixture
def stage(tmp_path: Path) -> Iterator[Stage]:
    with opened(tmp_path) as stage:
        yield stage


@pytest.mark.parametrize(
    ("pin", "landing_cents", "answer"),
    [
        (LEFT, -14.0, Cue.AGREES),
        (LEFT, 14.0, Cue.WAS_SHARP),
        (LEFT, 2.0, Cue.WAS_IN_TUNE),
        (RIGHT, -7.0, Cue.WAS_FLAT),
        (MIDDLE, 7.0, Cue.AGREES),
        (MIDDLE, 11.0, Cue.WAS_SHARP),
    ],
)
def test_a_call_is_taken_at_once_and_answered_two_seconds_later(
    stage: Stage, pin: int, landing_cents: float, answer: Cue
) -> None:
    stage.hold(MIDDLE)
    play(stage, PURE_E4, landing_cents)
    stage.tap(pin)
    assert stage.cues() == [Cue.CALL_TAKEN]
    stage.wait(1.85)  # and 0.05 of the tap
    assert stage.cues() == [Cue.CALL_TAKEN]
    stage.wait(0.15)
    assert stage.cues() == [Cue.CALL_TAKEN, answer]
    stage.tap(pin)  # it is final now
    assert stage.cues()[2:] == [Cue.NOTHING_THERE]


def test_a_second_call_replaces_the_first_and_only_it_is_answered(stage: Stage) -> None:
    stage.hold(MIDDLE)
    play(stage, PURE_E4, -14.0)
    stage.tap(RIGHT)
    stage.wait(1.5)
    stage.tap(LEFT)
    stage.wait(1.8)
    assert stage.cues() == 2 * [Cue.CALL_TAKEN]
    stage.wait(0.3)
    assert stage.cues()[2:] == [Cue.AGREES]
    wait_for(lambda: [row.call for row in stage.rows()] == [Call.FLAT])


def test_a_call_is_in_the_log_at_once_and_so_is_the_one_that_replaces_it(stage: Stage) -> None:
    stage.hold(MIDDLE)
    play(stage, PURE_E4)
    for pin, call in ((MIDDLE, Call.IN_TUNE), (LEFT, Call.FLAT)):
        stage.tap(pin)
        wait_for(lambda call=call: [row.call for row in stage.rows()] == [call])
    assert stage.cues() == 2 * [Cue.CALL_TAKEN]  # neither is final: a power cut loses none


def test_a_call_on_a_note_that_sounds_is_in_the_log_when_the_note_is(stage: Stage) -> None:
    stage.hold(MIDDLE)
    play(stage, A3)
    began_s = now_s(stage) + 0.1
    stage.hear(0.2)
    stage.hear(0.5)  # it has lasted half a second, and the ear has not told of it yet
    stage.tap(RIGHT)
    wait_for(lambda: [row.call for row in stage.rows()] == [Call.SHARP])
    stage.hear(0.1, NoteLanded(began_s, E4))
    wait_for(lambda: [row.call for row in stage.rows()] == [None])
    stage.hear(0.1, NoteEnded(note(began_s, now_s(stage), E4)))
    wait_for(lambda: [row.call for row in stage.rows()] == [None, Call.SHARP])


def test_answers_can_be_turned_off(tmp_path: Path) -> None:
    practice = replace(SETTINGS.practice, answers=False)
    with opened(tmp_path, replace(SETTINGS, practice=practice)) as stage:
        stage.hold(MIDDLE)
        play(stage, PURE_E4)
        stage.tap(MIDDLE)
        stage.wait(3.0)
        assert stage.cues() == [Cue.CALL_TAKEN]


@pytest.mark.parametrize("changes", [{"landing_hz": None, "settled_hz": None, "measurable": False}])
def test_what_could_not_be_measured_is_said_so(stage: Stage, changes: dict[str, object]) -> None:
    stage.hold(MIDDLE)
    play(stage, PURE_E4, **changes)
    stage.tap(MIDDLE)
    stage.wait(2.1)
    assert stage.cues() == [Cue.CALL_TAKEN, Cue.NOT_MEASURED]


def test_between_two_semitones_nobody_can_say_what_was_meant(stage: Stage) -> None:
    stage.hold(MIDDLE)
    play(stage, bent(E4, 50.0))
    stage.tap(MIDDLE)
    stage.wait(2.1)
    assert stage.cues() == [Cue.CALL_TAKEN, Cue.NOT_MEASURED]


def test_a_call_with_no_note_is_acknowledged_as_such_and_not_in_the_log(stage: Stage) -> None:
    stage.hold(MIDDLE)
    stage.tap(LEFT)
    play(stage, A3)
    stage.wait(8.0)
    stage.tap(LEFT)
    stage.wait(2.1)
    assert stage.cues() == 2 * [Cue.NOTHING_THERE]
    assert [row.call for row in stage.rows()] == [None]


@pytest.mark.parametrize(
    ("landing", "answered"), [(14.0, True), (50.0, False)], ids=["sure", "between two notes"]
)
def test_a_note_that_still_sounds_is_answered_when_it_is_clear_which_it_is(
    stage: Stage, landing: float, answered: bool
) -> None:
    stage.hold(MIDDLE)
    began_s = now_s(stage) + 0.1
    stage.hear(1.0, NoteLanded(began_s, bent(E4, landing)))
    stage.tap(RIGHT)
    stage.wait(2.1)
    assert stage.cues()[1:] == ([Cue.AGREES] if answered else [])
    ended = replace(note(began_s, now_s(stage), E4), landing_hz=bent(E4, landing))
    stage.hear(0.1, NoteEnded(ended))
    stage.wait(0.1)
    assert stage.cues()[1:] == [Cue.AGREES]
