"""Rounds in a running room, from their beginning to their end."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from appliance.control import ask
from appliance.log.records import EventKind
from appliance.practice.cues import Cue
from appliance.tuning import note_hz, parse_note
from appliance.vocabulary import Call, HeardNote, NoteEnded, NoteLanded
from tests.by_foot import A3, E4, PURE_E4, kinds, now_s, opened, play
from tests.log_rows import UNMEASURED, bent
from tests.soundcard import wait_for
from tests.stage import LEFT, MIDDLE, RIGHT, SETTINGS, Stage, note

STEP_DOWN, KEEP, BY_NAME = "a step", "a note kept", "a name on the page"


@pytest.fixture
def stage(tmp_path: Path) -> Iterator[Stage]:
    with opened(tmp_path) as stage:
        yield stage


def shift(stage: Stage, landing_cents: float, call: int | None = None) -> None:
    """A3, then E4, legato."""
    play(stage, A3)
    play(stage, PURE_E4, landing_cents, gap_s=0.05)
    if call is not None:
        stage.tap(call)


def test_a_round_from_its_beginning_to_its_end(stage: Stage) -> None:
    stage.hold(MIDDLE)
    shift(stage, -30.0)
    stage.hold(LEFT)
    assert ask(stage.socket, {"do": "status"})["round"] is True
    errors = (-31.0, -25.0, -12.0, 3.0, 24.0, 0.0, 2.0, -2.0, 9.0, 4.0)
    for number, error in enumerate(errors):
        if number == 4:  # a stop, a wrong note and one misheard by an octave
            stage.wait(30.0)
            play(stage, note_hz(parse_note("C4")))
            play(stage, 2 * PURE_E4)
        shift(stage, error, LEFT if number == 0 else None)
    wait_for(lambda: Cue.ROUND_WON in stage.cues())
    assert ask(stage.socket, {"do": "status"})["round"] is False
    play(stage, PURE_E4)
    wait_for(lambda: len(stage.rows()) == 25)
    (logged,) = stage.rounds()
    assert logged.won is True and logged.goal.from_hz == A3
    assert (logged.goal.target_low_hz, logged.goal.target_high_hz) == pytest.approx(2 * (PURE_E4,))
    tries = [row for row in stage.rows() if row.marks.try_number is not None]
    assert [row.marks.try_number for row in tries] == list(range(1, 11))
    assert [row.note.landing_hz for row in tries] == [bent(PURE_E4, error) for error in errors]
    assert {row.round_id for row in tries} == {logged.round_id}
    assert [row.call for row in tries] == [Call.FLAT, *9 * [None]]
    leads = [row for row in stage.rows() if row.marks.in_round and row.marks.try_number is None]
    assert [row.note.settled_hz for row in leads] == 10 * [A3]
    assert stage.cues()[0] is Cue.ROUND_BEGUN and stage.cues()[-1] is Cue.ROUND_WON
    assert kinds(stage) == [EventKind.ROUND_BEGUN, EventKind.ROUND_ENDED]


def test_a_round_is_ended_by_foot(stage: Stage) -> None:
    stage.hold(MIDDLE)
    shift(stage, 0.0)
    stage.hold(LEFT)
    shift(stage, 0.0)
    stage.hold(LEFT)
    assert stage.cues() == [Cue.ROUND_BEGUN, Cue.ROUND_ENDED]
    wait_for(lambda: [one.won for one in stage.rounds()] == [False])
    shift(stage, 0.0)
    wait_for(lambda: len(stage.rows()) == 6)
    assert [row.marks.in_round for row in stage.rows()] == [*2 * [False], *2 * [True], *2 * [False]]


@pytest.mark.parametrize("last", [None, UNMEASURED])
def test_without_an_arrival_there_is_no_round(stage: Stage, last: HeardNote | None) -> None:
    stage.hold(MIDDLE)
    if last is not None:
        play(stage, A3)
        play(stage, A3, landing_hz=None, settled_hz=None, measurable=False)
    stage.hold(LEFT)
    assert stage.cues() == [Cue.NOTHING_THERE]
    assert ask(stage.socket, {"do": "status"})["round"] is False


def test_a_round_can_begin_on_the_note_that_sounds(stage: Stage) -> None:
    stage.hold(MIDDLE)
    play(stage, A3)
    began_s = now_s(stage) + 0.05
    stage.hear(0.7, NoteLanded(began_s, E4))
    stage.hold(LEFT)
    assert stage.cues() == [Cue.ROUND_BEGUN]
    stage.hear(0.3, NoteEnded(note(began_s, now_s(stage), PURE_E4)))
    shift(stage, 0.0)
    wait_for(stage.rounds)
    assert stage.rounds()[0].goal.target_low_hz == pytest.approx(PURE_E4)
    wait_for(lambda: [row.marks.try_number for row in stage.rows()] == [None, None, None, 1])


def test_a_round_on_a_note_that_the_ear_took_back_is_on_the_last_that_was_one(stage: Stage) -> None:
    stage.hold(MIDDLE)
    shift(stage, 0.0)
    stage.hear(0.7, NoteLanded(now_s(stage) + 0.05, bent(A3, 500.0)))
    stage.hold(LEFT)
    assert stage.cues() == [Cue.ROUND_BEGUN]
    shift(stage, 0.0)
    wait_for(stage.rounds)
    assert stage.rounds()[0].goal.target_low_hz == pytest.approx(PURE_E4)
    wait_for(lambda: [row.marks.try_number for row in stage.rows()] == [None, None, None, 1])


@pytest.mark.parametrize("chosen_by", [STEP_DOWN, KEEP, BY_NAME])
def test_another_note_for_the_drone_ends_the_round_whose_target_it_was(
    stage: Stage, chosen_by: str
) -> None:
    """Falling silent alone does not: the drone may be back in a moment."""
    stage.hold(MIDDLE)
    shift(stage, 0.0)
    stage.hold(LEFT)
    stage.hold(MIDDLE)
    assert ask(stage.socket, {"do": "status"})["round"] is True
    if chosen_by == STEP_DOWN:
        stage.tap(LEFT)
    elif chosen_by == KEEP:
        stage.tap(MIDDLE)
    else:
        ask(stage.socket, {"do": "drone", "note": "D4"})
    assert ask(stage.socket, {"do": "status"})["round"] is False
    wait_for(lambda: kinds(stage) == [EventKind.ROUND_BEGUN, EventKind.ROUND_ENDED])


def test_the_sitting_takes_its_round_with_it(stage: Stage) -> None:
    stage.hold(MIDDLE)
    shift(stage, 0.0)
    stage.hold(LEFT)
    stage.wait(601.0)
    wait_for(lambda: [one.won for one in stage.rounds()] == [False])


def test_a_struck_try_was_none(tmp_path: Path) -> None:
    practice = replace(SETTINGS.practice, landed_in_a_row=2)
    with opened(tmp_path, replace(SETTINGS, practice=practice)) as stage:
        stage.hold(MIDDLE)
        shift(stage, 0.0)
        stage.hold(LEFT)
        shift(stage, 0.0)
        stage.tap(LEFT, RIGHT)
        shift(stage, 0.0)
        assert Cue.ROUND_WON not in stage.cues()
        shift(stage, 0.0)
        wait_for(lambda: stage.cues()[-1] is Cue.ROUND_WON)


def test_a_try_that_is_struck_out_before_the_ear_has_told_of_it_wins_nothing(
    tmp_path: Path,
) -> None:
    practice = replace(SETTINGS.practice, landed_in_a_row=1)
    with opened(tmp_path, replace(SETTINGS, practice=practice)) as stage:
        stage.hold(MIDDLE)
        shift(stage, 0.0)
        stage.hold(LEFT)
        play(stage, A3)
        began_s = now_s(stage)
        stage.hear(0.4)
        stage.tap(LEFT, RIGHT)
        landed = replace(note(began_s, began_s + 0.3, PURE_E4), landing_hz=PURE_E4)
        stage.hear(0.1, NoteEnded(landed))
        stage.wait(1.0)
        wait_for(lambda: [row.struck for row in stage.rows()] == [False, False, False, True])
        assert stage.rows()[-1].marks.try_number == 1
        assert Cue.ROUND_WON not in stage.cues()
        shift(stage, 0.0)
        wait_for(lambda: stage.cues()[-1] is Cue.ROUND_WON)
