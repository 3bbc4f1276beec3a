"""The whole pedal table in a running room: mock pins, a clock set by hand, a real log."""

import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from appliance.control import ask
from appliance.log.records import EventKind
from appliance.practice.cues import Cue
from appliance.settings import Settings
from appliance.tuning import note_hz, parse_note
from appliance.vocabulary import Call, Event, HeardNote, NoteEnded, NoteLanded
from tests.log_rows import UNMEASURED, bent
from tests.soundcard import wait_for
from tests.stage import LEFT, MIDDLE, RIGHT, SETTINGS, Stage, build, note

FOURTH = 23
A3, E4, A4 = (note_hz(parse_note(name)) for name in ("A3", "E4", "A4"))
PURE_E4 = 330.0  # 3/2 over A3


@contextmanager
def opened(tmp_path: Path, settings: Settings = SETTINGS) -> Iterator[Stage]:
    stage = build(tmp_path, settings)
    stage.room.start()
    yield stage
    stage.room.stop()
    stage.pins.reset()


@pytest.fixture
def stage(tmp_path: Path) -> Iterator[Stage]:
    with opened(tmp_path) as stage:
        yield stage


def now_s(stage: Stage) -> float:
    """The ear's own time: it has listened since the first block, at 1000 s of this boot."""
    return stage.clock.now().monotonic_s - 1000.0


def played(
    stage: Stage, hz: float, landing_cents: float = 0.0, gap_s: float = 1.5, **changes: object
) -> NoteEnded:
    """A note of 0.9 s that begins ``gap_s`` from now."""
    begins_s = now_s(stage) + gap_s
    heard = replace(note(begins_s, begins_s + 0.9, hz), landing_hz=bent(hz, landing_cents))
    return NoteEnded(replace(heard, **changes))  # type: ignore[arg-type]


def play(
    stage: Stage, hz: float, landing_cents: float = 0.0, gap_s: float = 1.5, **changes: object
) -> None:
    """Play it, and let the ear tell of it 0.1 s after its end."""
    event = played(stage, hz, landing_cents, gap_s, **changes)
    stage.hear(gap_s + 1.0, event)
    time.sleep(0.02)


def kinds(stage: Stage) -> list[EventKind]:
    return [event.kind for event in stage.events()]


# --- striking out -------------------------------------------------------------------------------


def test_left_and_right_strike_out_the_last_note(stage: Stage) -> None:
    stage.hold(MIDDLE)
    play(stage, A3)
    play(stage, E4)
    stage.tap(LEFT, RIGHT)
    assert stage.cues() == [Cue.STRUCK_OUT]
    wait_for(lambda: [row.struck for row in stage.rows()] == [False, True])
    stage.tap(LEFT)  # what is struck out can no longer be called
    assert stage.cues()[-1] is Cue.NOTHING_THERE
    stage.tap(LEFT, RIGHT)  # now the note before it is the last
    wait_for(lambda: [row.struck for row in stage.rows()] == [True, True])
    stage.tap(LEFT, RIGHT)
    assert stage.cues()[-1] is Cue.NOTHING_THERE


def test_a_note_that_still_sounds_is_struck_out_when_it_has_ended(stage: Stage) -> None:
    stage.hold(MIDDLE)
    play(stage, A3)
    began_s = now_s(stage) + 0.1
    stage.hear(1.0, NoteLanded(began_s, E4))
    stage.tap(LEFT, RIGHT)
    assert stage.cues() == [Cue.STRUCK_OUT]
    stage.hear(0.5, NoteEnded(note(began_s, now_s(stage) + 0.4, E4)))
    wait_for(lambda: [row.struck for row in stage.rows()] == [False, True])


# --- pausing ------------------------------------------------------------------------------------


@pytest.mark.parametrize("drone", [False, True])
def test_the_log_pauses_and_goes_on(stage: Stage, drone: bool) -> None:
    if drone:
        stage.hold(MIDDLE)
    play(stage, A3)
    stage.hold(LEFT, RIGHT)
    assert ask(stage.socket, {"do": "status"})["paused"] is True
    play(stage, E4)
    play(stage, A4)
    stage.hold(LEFT, RIGHT)
    play(stage, A3)
    assert stage.cues() == [Cue.PAUSED, Cue.RESUMED]
    wait_for(lambda: len(stage.rows()) == 4)
    assert [row.marks.paused for row in stage.rows()] == [False, True, True, False]
    assert kinds(stage) == [EventKind.PAUSED, EventKind.RESUMED]


def test_a_note_told_after_the_pause_began_but_played_before_it_counts(stage: Stage) -> None:
    event = played(stage, A3, gap_s=0.1)
    stage.wait(1.2)
    stage.hold(LEFT, RIGHT)
    stage.hear(0.1, event)
    wait_for(stage.rows)
    assert not stage.rows()[0].marks.paused


def test_in_a_pause_nothing_can_be_called_struck_out_or_repeated(stage: Stage) -> None:
    stage.hold(MIDDLE)
    play(stage, A3)
    stage.hold(LEFT, RIGHT)
    play(stage, E4)
    stage.tap(LEFT)
    stage.tap(LEFT, RIGHT)
    stage.hold(LEFT)
    assert stage.cues() == [Cue.PAUSED, *3 * [Cue.NOTHING_THERE]]
    stage.hold(LEFT, RIGHT)
    stage.tap(RIGHT)  # the note played in the pause is nobody's
    assert stage.cues()[-1] is Cue.NOTHING_THERE
    wait_for(lambda: len(stage.rows()) == 2)
    assert [(row.call, row.struck) for row in stage.rows()] == 2 * [(None, False)]


def test_a_pause_ends_with_the_sitting_so_that_the_next_player_is_heard(stage: Stage) -> None:
    play(stage, A3)
    stage.hold(LEFT, RIGHT)
    stage.wait(601.0)
    wait_for(lambda: ask(stage.socket, {"do": "status"})["sitting"] is False)
    assert ask(stage.socket, {"do": "status"})["paused"] is False
    play(stage, A3)
    wait_for(lambda: [row.marks.paused for row in stage.rows()] == [False, False])


def test_a_pause_between_sittings_does_not_last_for_ever(stage: Stage) -> None:
    stage.hold(LEFT, RIGHT)
    stage.wait(601.0)
    wait_for(lambda: ask(stage.socket, {"do": "status"})["paused"] is False)


# --- without ------------------------------------------------------------------------------------


def test_without_the_log_goes_on_and_pedals_work_as_if_the_drone_sounded(stage: Stage) -> None:
    stage.hold(MIDDLE)
    play(stage, A3)
    stage.hold(RIGHT)
    assert stage.drones()[-1].without and not stage.drones()[-1].sounding
    status = ask(stage.socket, {"do": "status"})["drone"]
    assert status["without"] is True and status["on"] is True
    play(stage, E4, drone_hz=None)
    stage.tap(LEFT)
    stage.wait(1.5)
    stage.hold(RIGHT)
    assert stage.drones()[-1].sounding and not stage.drones()[-1].without
    play(stage, A3)
    wait_for(lambda: len(stage.rows()) == 3)
    assert [row.marks.without for row in stage.rows()] == [False, True, False]
    assert stage.rows()[1].note.reference_hz == 220.0
    wait_for(lambda: stage.rows()[1].call is Call.FLAT)
    assert kinds(stage) == [EventKind.WENT_WITHOUT, EventKind.BROUGHT_BACK]


def test_stopping_the_drone_ends_without(stage: Stage) -> None:
    stage.hold(MIDDLE)
    stage.hold(RIGHT)
    stage.hold(MIDDLE)
    assert stage.drones()[-1] == replace(stage.drones()[-1], sounding=False, without=False)
    play(stage, A3)
    wait_for(stage.rows)
    assert not stage.rows()[0].marks.without


# --- calls and their answers --------------------------------------------------------------------


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


# --- rounds -------------------------------------------------------------------------------------


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


# --- stuck pedals, fades, a missing microphone, other boards ------------------------------------


def test_a_stuck_pedal_is_said_ignored_and_logged(
    stage: Stage, caplog: pytest.LogCaptureFixture
) -> None:
    stage.pins.pin(LEFT).drive_low()
    stage.wait(0.7)
    stage.wait(9.0)
    assert ask(stage.socket, {"do": "status"})["pedals"] == {"stuck": [], "trouble": None}
    stage.wait(0.5)
    pedals = ask(stage.socket, {"do": "status"})["pedals"]
    assert pedals["stuck"] == ["left"] and "left" in pedals["trouble"]
    assert "left" in caplog.text
    before = len(stage.drones())
    stage.hold(MIDDLE)  # the others go on
    assert stage.drones()[-1].sounding and len(stage.drones()) == before + 1
    stage.pins.pin(LEFT).drive_high()
    stage.wait(0.1)
    assert ask(stage.socket, {"do": "status"})["pedals"]["stuck"] == []
    wait_for(lambda: kinds(stage) == [EventKind.PEDAL_STUCK, EventKind.PEDAL_FREE])
    assert [event.detail for event in stage.events()] == ["left", "left"]


def test_presses_during_a_fade_are_obeyed(stage: Stage) -> None:
    stage.hold(MIDDLE)
    stage.hold(MIDDLE)  # the drone fades out for 0.15 s from here on …
    stage.tap(RIGHT)  # … and this is already the drone's note
    assert stage.drones()[-1].root_hz == pytest.approx(note_hz(parse_note("A#3")))
    assert stage.drones()[-1].preview and stage.cues() == []


def test_presses_while_the_microphone_is_missing(stage: Stage) -> None:
    stage.hold(MIDDLE)
    play(stage, A3)
    stage.sound.fall_silent()
    stage.tap(LEFT)  # the note before can still be called
    stage.hold(RIGHT)
    stage.hold(LEFT, RIGHT)
    stage.hold(LEFT, RIGHT)
    stage.wait(8.0)
    stage.tap(LEFT)
    assert stage.cues()[-1] is Cue.NOTHING_THERE
    assert stage.drones()[-1].without
    play(stage, E4)
    wait_for(lambda: [row.call for row in stage.rows()] == [Call.FLAT, None])
    assert stage.rows()[1].marks.without


def test_a_board_of_two_starts_the_drone_with_both(tmp_path: Path) -> None:
    pedals = replace(SETTINGS.pedals, count=2)
    with opened(tmp_path, replace(SETTINGS, pedals=pedals)) as stage:
        play(stage, E4)
        stage.tap(LEFT, RIGHT)
        assert stage.drones()[-1].root_hz == pytest.approx(E4)
        stage.hold(LEFT, RIGHT)
        assert stage.drones()[-1].sounding
        play(stage, E4)
        stage.tap(LEFT, RIGHT)
        stage.wait(2.0)
        wait_for(lambda: [row.call for row in stage.rows()] == [None, Call.IN_TUNE])


def test_the_fourth_pedal_strikes_out_and_pauses(tmp_path: Path) -> None:
    pedals = replace(SETTINGS.pedals, count=4)
    with opened(tmp_path, replace(SETTINGS, pedals=pedals)) as stage:
        stage.hold(MIDDLE)
        play(stage, E4)
        stage.tap(FOURTH)
        stage.hold(FOURTH)
        assert stage.cues() == [Cue.STRUCK_OUT, Cue.PAUSED]
        wait_for(lambda: [row.struck for row in stage.rows()] == [True])


def test_practice_begins_within_ten_seconds_by_foot_alone(stage: Stage) -> None:
    """Walk in, play a note, keep it, start the drone, play, call: 7.4 s of the room's clock."""
    began_s = stage.clock.now().monotonic_s
    play(stage, bent(E4, 4.0), gap_s=0.5)
    stage.tap(MIDDLE)
    stage.hold(MIDDLE)
    events: list[Event] = [played(stage, A4, gap_s=2.0)]
    stage.hear(3.0, *events)
    stage.tap(MIDDLE)
    assert stage.clock.now().monotonic_s - began_s < 10.0
    assert stage.drones()[-1].sounding
    assert stage.drones()[-1].root_hz == pytest.approx(E4)
    stage.wait(2.0)
    wait_for(lambda: [row.call for row in stage.rows()] == [None, Call.IN_TUNE])


def test_keeping_a_note_before_any_was_played_is_acknowledged(stage: Stage) -> None:
    stage.tap(MIDDLE)
    assert stage.cues() == [Cue.NOTHING_THERE] and len(stage.drones()) == 1
