"""Checking in and out in a running room: the control socket, a scripted ear, a real log."""

import threading
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from appliance.control import Message, ask
from appliance.log.reader import LogReader
from appliance.log.records import EventKind
from appliance.vocabulary import ControlError, NoteLanded
from tests.soundcard import wait_for
from tests.stage import Stage, build
from tests.test_foot import A3, opened, play, played

MIRA, TOMAS = "1f3a9c02-17", "1f3a9c02-18"


@pytest.fixture
def stage(tmp_path: Path) -> Iterator[Stage]:
    with opened(tmp_path) as stage:
        yield stage


def check_in(stage: Stage, player: str, *, sure: bool = False) -> Message:
    return ask(stage.socket, {"do": "check_in", "player": player, "sure": sure})


def check_out(stage: Stage, player: str) -> Message:
    return ask(stage.socket, {"do": "check_out", "player": player})


def players(stage: Stage, notes: int) -> list[str | None]:
    """Whose each note is, once so many are logged."""
    wait_for(lambda: len(stage.rows()) == notes)
    return [row.sitting.player for row in stage.rows()]


def attendance(stage: Stage) -> list[tuple[EventKind, str | None]]:
    kinds = (EventKind.CHECKED_IN, EventKind.CHECKED_OUT)
    return [(event.kind, event.detail) for event in stage.events() if event.kind in kinds]


def test_notes_are_the_players_from_check_in_to_check_out(stage: Stage) -> None:
    play(stage, A3)
    stage.wait(3.0)
    assert check_in(stage, MIRA)["checked_in"] is True
    assert ask(stage.socket, {"do": "status"})["player"] == MIRA
    play(stage, A3)
    play(stage, A3)
    stage.wait(3.0)
    assert check_out(stage, MIRA)["checked_out"] is True
    play(stage, A3)
    assert players(stage, 4) == [None, MIRA, MIRA, None]
    first, second, third = stage.sittings()
    assert first["ended_wall_s"] < second["started_wall_s"]
    assert second["ended_wall_s"] < third["started_wall_s"]
    assert attendance(stage) == [(EventKind.CHECKED_IN, MIRA), (EventKind.CHECKED_OUT, None)]


def test_a_note_that_began_before_the_check_in_stays_where_it_was(stage: Stage) -> None:
    play(stage, A3)
    stage.wait(0.5)
    begun = played(stage, A3, gap_s=0.0)
    stage.hear(0.4, NoteLanded(begun.note.start_s, A3))  # it sounds
    assert check_in(stage, MIRA)["checked_in"] is True  # from nobody: there is nobody to ask
    stage.hear(0.6, begun)
    play(stage, A3)
    assert players(stage, 3) == [None, None, MIRA]


def test_a_check_in_while_another_plays_asks_first(stage: Stage) -> None:
    check_in(stage, MIRA)
    stage.wait(20.0)
    play(stage, A3)
    sounding = played(stage, A3, gap_s=0.2)
    stage.hear(0.6, NoteLanded(sounding.note.start_s, A3))
    assert check_in(stage, TOMAS)["checked_in"] is False
    assert ask(stage.socket, {"do": "status"})["player"] == MIRA
    assert check_in(stage, TOMAS, sure=True)["checked_in"] is True
    stage.hear(0.6, sounding)
    play(stage, A3)
    assert players(stage, 3) == [MIRA, MIRA, TOMAS]


def test_a_check_in_after_another_has_stopped_does_not_ask(stage: Stage) -> None:
    check_in(stage, MIRA)
    stage.wait(12.0)
    play(stage, A3)
    stage.wait(4.0)
    assert check_in(stage, TOMAS)["checked_in"] is False  # may only turn a page
    stage.wait(2.0)
    assert check_in(stage, TOMAS)["checked_in"] is True
    play(stage, A3)
    assert players(stage, 2) == [MIRA, TOMAS]


def test_of_two_check_ins_at_the_same_instant_one_holds(stage: Stage) -> None:
    barrier, answers = threading.Barrier(2), {}

    def come(player: str) -> None:
        barrier.wait()
        answers[player] = check_in(stage, player)["checked_in"]

    threads = [threading.Thread(target=come, args=(player,)) for player in (MIRA, TOMAS)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(answers.values()) == [False, True]
    winner = next(player for player, checked_in in answers.items() if checked_in)
    assert ask(stage.socket, {"do": "status"})["player"] == winner
    stage.wait(3.0)
    play(stage, A3)
    assert players(stage, 1) == [winner]


def test_checking_in_again_changes_nothing(stage: Stage) -> None:
    check_in(stage, MIRA)
    stage.wait(3.0)
    play(stage, A3)
    assert check_in(stage, MIRA)["checked_in"] is True
    stage.wait(3.0)
    play(stage, A3)
    assert players(stage, 2) == [MIRA, MIRA]
    assert len(stage.sittings()) == 1


def test_ten_silent_minutes_check_out(stage: Stage) -> None:
    check_in(stage, MIRA)
    stage.wait(3.0)
    play(stage, A3)
    wait_for(lambda: len(stage.rows()) == 1)
    stage.wait(590.0)
    assert ask(stage.socket, {"do": "status"})["player"] == MIRA
    stage.wait(11.0)
    wait_for(lambda: ask(stage.socket, {"do": "status"})["player"] is None)
    play(stage, A3)
    assert players(stage, 2) == [MIRA, None]


def test_a_check_in_without_a_note_ends_after_ten_minutes(stage: Stage) -> None:
    check_in(stage, MIRA)
    stage.wait(599.0)
    assert ask(stage.socket, {"do": "status"})["player"] == MIRA
    stage.wait(2.0)
    wait_for(lambda: ask(stage.socket, {"do": "status"})["player"] is None)


def test_only_who_is_in_can_check_out(stage: Stage) -> None:
    assert check_out(stage, MIRA)["checked_out"] is False
    check_in(stage, MIRA)
    assert check_out(stage, TOMAS)["checked_out"] is False
    assert ask(stage.socket, {"do": "status"})["player"] == MIRA


@pytest.mark.parametrize("player", [None, 7, "", "Mira", "1f3a9c02-17; drop table person"])
def test_what_is_no_id_is_refused(stage: Stage, player: object) -> None:
    with pytest.raises(ControlError, match="id of a person"):
        ask(stage.socket, {"do": "check_in", "player": player})


def test_what_a_check_in_left_open_is_ended(stage: Stage) -> None:
    """Neither a pause nor a round goes over to the next player."""
    check_in(stage, MIRA)
    stage.wait(12.0)
    play(stage, A3)
    stage.hold(17, 22)  # left and right: the log is paused
    play(stage, A3)
    stage.wait(6.0)
    check_in(stage, TOMAS)
    stage.wait(3.0)
    play(stage, A3)
    wait_for(lambda: len(stage.rows()) == 3)
    assert [row.marks.paused for row in stage.rows()] == [False, True, False]


# --- the room stops and starts again -----------------------------------------------------------


@pytest.mark.parametrize(("stopped_s", "kept"), [(30.0, MIRA), (650.0, None)])
def test_a_restart_keeps_the_player_for_ten_silent_minutes(
    tmp_path: Path, stopped_s: float, kept: str | None
) -> None:
    with opened(tmp_path) as stage:
        check_in(stage, MIRA)
        stage.wait(3.0)
        play(stage, A3)
        wait_for(lambda: len(stage.rows()) == 1)
    again = build(tmp_path)
    again.clock.advance(stage.clock.now().wall_s - again.clock.now().wall_s + stopped_s)
    again.room.start()
    try:
        assert ask(again.socket, {"do": "status"})["player"] == kept
        event = played(again, A3)
        again.hear(2.5, replace(event, note=replace(event.note, start_s=1.5, end_s=2.4)))
        assert players(again, 2) == [MIRA, kept]
    finally:
        again.room.stop()
        again.pins.reset()


def test_a_restart_keeps_a_check_in_without_a_note(tmp_path: Path) -> None:
    with opened(tmp_path) as stage:
        check_in(stage, MIRA)
        stage.wait(3.0)
        wait_for(lambda: attendance(stage) != [])
    with opened(tmp_path) as again:
        wait_for(lambda: ask(again.socket, {"do": "status"})["player"] == MIRA)


def test_a_restart_after_a_check_out_keeps_nobody(tmp_path: Path) -> None:
    with opened(tmp_path) as stage:
        check_in(stage, MIRA)
        stage.wait(3.0)
        play(stage, A3)
        stage.wait(3.0)
        check_out(stage, MIRA)
        stage.wait(3.0)
        wait_for(lambda: len(attendance(stage)) == 2)
    with opened(tmp_path) as again:
        assert ask(again.socket, {"do": "status"})["player"] is None
        with LogReader(again.log_path) as log:
            assert log.events(0.0, 1e12)[-1].kind is EventKind.CHECKED_OUT
