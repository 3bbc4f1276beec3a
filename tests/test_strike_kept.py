"""A strike-out outlasts a room that is killed right after the press: a real process, a real log.

The room's clock stands still from the press on, so nothing can have been settled later.
"""

import multiprocessing
from collections.abc import Callable
from multiprocessing.synchronize import Event as Signal
from pathlib import Path

import pytest

from appliance.log.logbook import Logbook
from appliance.log.reader import LogReader
from appliance.log.records import UNMARKED
from appliance.vocabulary import Instant, LogbookError, NoteEnded, NoteLanded
from tests.by_foot import A3, A4, E4, now_s, opened, play
from tests.log_rows import PLAIN
from tests.soundcard import wait_for
from tests.stage import LEFT, MIDDLE, RIGHT, Stage, note

PATIENCE_S = 60.0


def after_the_last_note(stage: Stage) -> None:
    play(stage, E4)
    stage.tap(LEFT, RIGHT)


def while_a_note_sounds(stage: Stage) -> None:
    stage.hear(1.0, NoteLanded(now_s(stage) + 0.1, E4))
    stage.tap(LEFT, RIGHT)


def of_a_note_told_later(stage: Stage) -> None:
    began_s = now_s(stage) + 0.1
    stage.hear(0.45)
    stage.tap(LEFT, RIGHT)
    stage.hear(0.05, NoteEnded(note(began_s, began_s + 0.3, E4)))


def of_a_long_note_told_later(stage: Stage) -> None:
    began_s = now_s(stage) + 0.05
    stage.hear(0.5)
    stage.tap(LEFT, RIGHT)
    stage.hear(0.05, NoteLanded(began_s, E4))
    stage.wait(0.05)


def of_a_note_that_ended(stage: Stage) -> None:
    began_s = now_s(stage) + 0.1
    stage.hear(1.0, NoteLanded(began_s, E4))
    stage.tap(LEFT, RIGHT)
    stage.hear(0.5, NoteEnded(note(began_s, now_s(stage) + 0.4, E4)))


def _be_killed(folder: Path, press: Callable[[Stage], None], pressed: Signal) -> None:
    """The room, in a process of its own: a note, then a press, and then nothing more happens."""
    with opened(folder) as stage:
        stage.hold(MIDDLE)
        play(stage, A3)
        press(stage)
        stage.sound.settle()
        wait_for(lambda: stage.room.status()["log"]["waiting"] == 0)
        pressed.set()
        multiprocessing.Event().wait()


@pytest.mark.parametrize(
    ("press", "left"),
    [
        (after_the_last_note, [False, True]),
        (while_a_note_sounds, [False]),  # it was never logged, and the one before is not meant
        (of_a_note_told_later, [False, True]),
        (of_a_long_note_told_later, [False]),
        (of_a_note_that_ended, [False, True]),
    ],
)
def test_a_room_killed_after_the_press_has_struck_out_what_was_meant(
    tmp_path: Path, press: Callable[[Stage], None], left: list[bool]
) -> None:
    spawning = multiprocessing.get_context("spawn")
    pressed = spawning.Event()
    room = spawning.Process(target=_be_killed, args=(tmp_path, press, pressed))
    room.start()
    try:
        assert pressed.wait(PATIENCE_S)
    finally:
        room.kill()
        room.join()
    with LogReader(tmp_path / "room.db") as log:
        assert [row.struck for row in log.notes(0.0, 1e12)] == left
    with opened(tmp_path) as stage:  # the log is opened again, and the evening goes on
        stage.wait(60.0)  # its clock begins where the other's did
        play(stage, A4)
        wait_for(lambda: [row.struck for row in stage.rows()] == [*left, False])


def test_the_log_has_a_strike_out_at_once_and_not_a_second_later(tmp_path: Path) -> None:
    with opened(tmp_path) as stage:
        stage.hold(MIDDLE)
        play(stage, A3)
        pressed_s = stage.clock.now().monotonic_s
        stage.tap(LEFT, RIGHT)
        wait_for(lambda: [row.struck for row in stage.rows()] == [True])
        assert stage.clock.now().monotonic_s - pressed_s < 0.2


def test_what_is_written_in_one_step_is_in_the_log_whole_or_not_at_all(tmp_path: Path) -> None:
    at = Instant(1.7e9, 10.0, "boot", True)
    with Logbook(tmp_path / "room.db", "north room") as log:
        sitting = log.begin_sitting(at, instrument="viola", a4_hz=440.0)
        first = log.add_note(sitting, PLAIN, at, UNMARKED)
        log.strike(first)
        with pytest.raises(LogbookError), log.one_step():
            log.strike(first, struck=False)
            log.add_note(sitting, PLAIN, at, UNMARKED)
            log.strike("00000001-999999")  # there is none
        assert [row.struck for row in log.notes(0.0, 1e12)] == [True]
