"""The whole pedal table in a running room: mock pins, a clock set by hand, a real log."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from appliance.control import ask
from appliance.log.records import EventKind
from appliance.practice.cues import Cue
from appliance.tuning import note_hz, parse_note
from appliance.vocabulary import Call, Event, NoteEnded, NoteLanded
from tests.by_foot import A3, A4, E4, FOURTH, kinds, now_s, opened, play, played
from tests.log_rows import bent
from tests.soundcard import wait_for
from tests.stage import LEFT, MIDDLE, RIGHT, SETTINGS, Stage, build, note
from tests.test_pedals import HeldPin


@pytest.fixture
def stage(tmp_path: Path) -> Iterator[Stage]:
    with opened(tmp_path) as stage:
        yield stage


# --- striking out -------------------------------------------------------------------------------


def test_left_and_right_strike_out_the_last_note(stage: Stage) -> None:
    stage.hold(MIDDLE)
    play(stage, A3)
    play(stage, E4)
    stage.tap(LEFT, RIGHT)
    assert stage.cues() == [Cue.STRUCK_OUT]
    stage.wait(1.0)  # then the ear has told of all that was played before the press
    wait_for(lambda: [row.struck for row in stage.rows()] == [False, True])
    stage.tap(LEFT)  # what is struck out can no longer be called
    assert stage.cues()[-1] is Cue.NOTHING_THERE
    stage.tap(LEFT, RIGHT)  # now the note before it is the last
    stage.wait(1.0)
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


@pytest.mark.parametrize("landed", [False, True], ids=["short", "slurred to"])
def test_a_note_that_the_ear_tells_of_after_the_press_is_struck_out(
    stage: Stage, landed: bool
) -> None:
    """The ear is late: a short note has ended, or one has sounded for more than half a second."""
    stage.hold(MIDDLE)
    play(stage, A3)
    began_s = now_s(stage) + 0.1
    stage.hear(0.5 if landed else 0.45)
    stage.tap(LEFT, RIGHT)  # lets go 0.1 s later
    assert stage.cues() == [Cue.STRUCK_OUT]
    if landed:
        stage.hear(0.05, NoteLanded(began_s - 0.05, E4))
        stage.wait(2.0)  # it goes on, and the note before is not struck out in its place
        assert [row.struck for row in stage.rows()] == [False]
    ended_s = now_s(stage) if landed else began_s + 0.3
    stage.hear(0.1, NoteEnded(note(began_s - 0.05, ended_s, E4)))
    stage.wait(1.0)
    wait_for(lambda: [row.struck for row in stage.rows()] == [False, True])
    play(stage, A4)
    wait_for(lambda: [row.struck for row in stage.rows()] == [False, True, False])


def test_the_last_note_is_struck_out_where_the_ear_took_back_a_later_one(stage: Stage) -> None:
    """It was told only after the press, and then the last note did not seem to be meant."""
    stage.hold(MIDDLE)
    play(stage, A3)
    began_s = now_s(stage) + 0.05
    stage.hear(0.5)
    stage.tap(LEFT, RIGHT)
    stage.hear(0.05, NoteLanded(began_s, E4))
    stage.wait(0.05)
    wait_for(lambda: [row.struck for row in stage.rows()] == [False])
    play(stage, A4)
    wait_for(lambda: [row.struck for row in stage.rows()] == [True, False])
    assert stage.cues() == [Cue.STRUCK_OUT]


def test_the_next_note_is_not_struck_out_for_one_that_the_ear_took_back(stage: Stage) -> None:
    stage.hold(MIDDLE)
    play(stage, A3)
    stage.hear(1.0, NoteLanded(now_s(stage) + 0.1, E4))
    stage.tap(LEFT, RIGHT)
    play(stage, A4)
    assert stage.cues() == [Cue.STRUCK_OUT, Cue.NOTHING_THERE]
    wait_for(lambda: [row.struck for row in stage.rows()] == [False, False])


def test_a_strike_is_not_lost_when_the_room_closes(tmp_path: Path) -> None:
    with opened(tmp_path) as stage:
        stage.hold(MIDDLE)
        play(stage, A3)
        stage.tap(LEFT, RIGHT)
    assert [row.struck for row in stage.rows()] == [True]


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
    stage.tap(LEFT)  # not even the note before it
    play(stage, E4)
    stage.tap(LEFT)
    stage.tap(LEFT, RIGHT)
    stage.hold(LEFT)
    assert stage.cues() == [Cue.PAUSED, *4 * [Cue.NOTHING_THERE]]
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
    wait_for(lambda: kinds(stage) == [EventKind.PAUSED, EventKind.RESUMED])
    play(stage, A3)
    wait_for(lambda: [row.marks.paused for row in stage.rows()] == [False, False])


def test_a_pause_ends_at_once_where_somebody_else_checks_in(stage: Stage) -> None:
    play(stage, A3)
    stage.hold(LEFT, RIGHT)
    stage.wait(3.0)
    ask(stage.socket, {"do": "check_in", "player": "1f3a9c02-17", "sure": True})
    stage.wait(3.0)
    assert ask(stage.socket, {"do": "status"})["paused"] is False
    play(stage, E4)
    wait_for(lambda: [row.marks.paused for row in stage.rows()] == [False, False])
    assert kinds(stage) == [EventKind.PAUSED, EventKind.RESUMED, EventKind.CHECKED_IN]


def test_a_pause_between_sittings_does_not_last_for_ever(stage: Stage) -> None:
    stage.hold(LEFT, RIGHT)
    stage.wait(601.0)
    wait_for(lambda: ask(stage.socket, {"do": "status"})["paused"] is False)
    wait_for(lambda: kinds(stage) == [EventKind.PAUSED, EventKind.RESUMED])


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


def test_a_pedal_that_is_down_when_the_room_opens_does_nothing(tmp_path: Path) -> None:
    """A cable with a short: the room boots, and nobody is there to hold a pedal."""
    stage = build(tmp_path, SETTINGS)
    stage.pins.pin_class = HeldPin  # the right pedal's
    stage.room.start()
    for seconds in (1.0, 9.5):
        stage.wait(seconds)
        assert [order.root_hz for order in stage.drones()] == [A3]
    assert ask(stage.socket, {"do": "status"})["pedals"]["stuck"] == ["right"]
    stage.pins.pin(RIGHT).drive_high()
    stage.wait(0.1)
    stage.hold(RIGHT)  # somebody has put it right
    assert stage.drones()[-1].root_hz == 2 * A3
    stage.room.stop()
    stage.pins.reset()


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


def test_the_note_that_sounds_is_kept_and_once_more_where_it_settled(stage: Stage) -> None:
    play(stage, A3)
    began_s = now_s(stage) + 0.1
    stage.hear(1.0, NoteLanded(began_s, bent(E4, -75.0)))  # nearer to D#4
    stage.tap(MIDDLE)
    assert stage.drones()[-1].preview
    assert stage.drones()[-1].root_hz == pytest.approx(bent(E4, -100.0))
    stage.hear(0.5, NoteEnded(note(began_s, now_s(stage) + 0.4, bent(E4, -8.0))))
    stage.sound.settle()
    assert stage.drones()[-1].preview
    assert stage.drones()[-1].root_hz == pytest.approx(E4)


def test_a_note_that_the_ear_has_not_ended_yet_is_kept_and_sounded_once(stage: Stage) -> None:
    """Stopped 0.1 s before the tap; the ear tells of it later than the foot."""
    play(stage, A3)
    began_s = now_s(stage) + 0.1
    stage.hear(1.0, NoteLanded(began_s, E4))
    ended_s = now_s(stage)
    stage.tap(MIDDLE)
    assert stage.drones()[-1].root_hz == pytest.approx(E4)
    told = len(stage.drones())
    stage.hear(0.5, NoteEnded(note(began_s, ended_s, E4)))
    stage.sound.settle()
    assert len(stage.drones()) == told


def test_a_note_of_unknown_landing_is_kept_when_it_has_ended(stage: Stage) -> None:
    play(stage, A3)
    began_s = now_s(stage) + 0.1
    stage.hear(1.0, NoteLanded(began_s, None))
    stage.tap(MIDDLE)
    assert stage.cues() == [Cue.CALL_TAKEN] and len(stage.drones()) == 1
    stage.hear(0.5, NoteEnded(note(began_s, now_s(stage) + 0.4, E4)))
    stage.sound.settle()
    assert stage.drones()[-1].root_hz == pytest.approx(E4)


def test_a_short_note_that_the_ear_tells_of_after_the_press_is_kept(stage: Stage) -> None:
    play(stage, A3)
    began_s = now_s(stage) + 0.1
    stage.hear(0.45)
    stage.tap(MIDDLE)  # the note ended 0.15 s before
    stage.hear(0.1, NoteEnded(note(began_s, began_s + 0.3, E4)))
    stage.sound.settle()
    assert stage.drones()[-1].root_hz == pytest.approx(E4)
    play(stage, A4)  # and a note after the press is not
    assert stage.drones()[-1].root_hz == pytest.approx(E4)


def test_a_note_without_a_pitch_is_not_kept_nor_the_one_before_in_its_place(stage: Stage) -> None:
    play(stage, E4)
    play(stage, A3, landing_hz=None, settled_hz=None, measurable=False)
    told = len(stage.drones())
    stage.tap(MIDDLE)
    assert stage.cues() == [Cue.NOT_MEASURED] and len(stage.drones()) == told


@pytest.mark.parametrize("other", ["step", "name"])
def test_what_was_chosen_after_keeping_a_note_holds(stage: Stage, other: str) -> None:
    began_s = now_s(stage) + 0.1
    stage.hear(1.0, NoteLanded(began_s, bent(E4, -75.0)))
    stage.tap(MIDDLE)  # D#4
    if other == "step":
        stage.tap(LEFT)
    else:
        ask(stage.socket, {"do": "drone", "note": "D4"})
    stage.hear(0.5, NoteEnded(note(began_s, now_s(stage) + 0.4, E4)))
    stage.sound.settle()
    assert stage.drones()[-1].root_hz == pytest.approx(note_hz(parse_note("D4")))


def test_keeping_a_note_before_any_was_played_is_acknowledged(stage: Stage) -> None:
    stage.tap(MIDDLE)
    assert stage.cues() == [Cue.NOTHING_THERE] and len(stage.drones()) == 1
