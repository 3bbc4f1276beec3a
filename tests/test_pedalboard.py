"""The pedalboard: what a press means, on boards of two, three and four pedals."""

import itertools
from dataclasses import replace

import pytest

from appliance.practice.pedalboard import Action, Gesture, Heard, Kind, Pedal, Pedalboard, action_of
from tests.presses import BOTH, FOURTH, LEFT, MIDDLE, RIGHT, SETTINGS, Edge, in_time, play, pressed

TABLE = [
    (LEFT, Kind.TAP, Action.NOTE_DOWN, Action.CALL_FLAT),
    (RIGHT, Kind.TAP, Action.NOTE_UP, Action.CALL_SHARP),
    (LEFT, Kind.HOLD, Action.OCTAVE_DOWN, Action.BEGIN_OR_END_ROUND),
    (RIGHT, Kind.HOLD, Action.OCTAVE_UP, Action.GO_WITHOUT),
    (MIDDLE, Kind.TAP, Action.KEEP_NOTE, Action.CALL_IN_TUNE),
    (MIDDLE, Kind.HOLD, Action.START_DRONE, Action.STOP_DRONE),
    (BOTH, Kind.TAP, None, Action.STRIKE_OUT),
    (BOTH, Kind.HOLD, Action.PAUSE_OR_RESUME, Action.PAUSE_OR_RESUME),
]


@pytest.mark.parametrize(("pedals", "kind", "silent", "sounding"), TABLE)
def test_what_a_gesture_does_depends_only_on_what_is_heard(
    pedals: set[Pedal], kind: Kind, silent: Action | None, sounding: Action
) -> None:
    gesture = Gesture(frozenset(pedals), kind, 1.0)
    assert action_of(gesture, Heard.SILENT) is silent
    assert action_of(gesture, Heard.SOUNDING) is sounding
    without = Action.BRING_BACK if sounding is Action.GO_WITHOUT else sounding
    assert action_of(gesture, Heard.WITHOUT) is without


def test_every_action_can_be_reached_by_foot() -> None:
    reached = {
        action_of(Gesture(frozenset(pedals), kind, 0.0), heard)
        for pedals, kind in itertools.product((LEFT, MIDDLE, RIGHT, BOTH), Kind)
        for heard in Heard
    }
    assert reached == {*Action, None}


@pytest.mark.parametrize("pedals", [LEFT, MIDDLE, RIGHT])
def test_a_tap_is_known_at_its_release(pedals: set[Pedal]) -> None:
    assert play(pressed(pedals, 1.0, 1.2)) == [Gesture(frozenset(pedals), Kind.TAP, 1.2)]


def test_a_tap_is_told_within_the_debouncing_time() -> None:
    board = Pedalboard(SETTINGS)
    assert board.press(Pedal.LEFT, 1.0) == []
    assert board.release(Pedal.LEFT, 1.2) == []
    assert board.tick(1.229) == []
    assert [g.kind for g in board.tick(1.231)] == [Kind.TAP]
    assert board.tick(9.0) == []


def test_a_hold_is_known_when_it_has_lasted_and_its_release_means_nothing() -> None:
    board = Pedalboard(SETTINGS)
    board.press(Pedal.MIDDLE, 1.0)
    assert board.tick(1.599) == []
    assert board.tick(1.601) == [Gesture(frozenset(MIDDLE), Kind.HOLD, 1.6)]
    assert board.release(Pedal.MIDDLE, 4.0) == []
    assert board.tick(9.0) == []


def test_a_hold_that_nobody_looked_at_is_still_a_hold() -> None:
    assert play(pressed(MIDDLE, 1.0, 3.0)) == [Gesture(frozenset(MIDDLE), Kind.HOLD, 1.6)]


def test_a_release_just_before_the_hold_is_a_tap_even_if_sure_only_after() -> None:
    assert play(pressed(LEFT, 1.0, 1.59), [1.605]) == [Gesture(frozenset(LEFT), Kind.TAP, 1.59)]


def test_a_press_shorter_than_the_debouncing_time_is_not_lost() -> None:
    assert play(pressed(RIGHT, 1.0, 1.002)) == [Gesture(frozenset(RIGHT), Kind.TAP, 1.002)]


def test_a_contact_that_opens_for_a_moment_while_held_changes_nothing() -> None:
    edges = pressed(LEFT, 1.0, 1.3) + pressed(LEFT, 1.32, 2.0)
    assert play(edges) == [Gesture(frozenset(LEFT), Kind.HOLD, 1.6)]


def test_the_first_press_may_come_at_time_zero() -> None:
    assert play(pressed(LEFT, 0.0, 0.1)) == [Gesture(frozenset(LEFT), Kind.TAP, 0.1)]


def test_a_release_without_a_press_means_nothing() -> None:
    assert play([(1.0, Pedal.LEFT, "release")]) == []


def test_a_press_told_twice_is_one_press() -> None:
    edges: list[Edge] = [(1.1, Pedal.LEFT, "press"), *pressed(LEFT, 1.0, 1.2)]
    assert play(edges) == [Gesture(frozenset(LEFT), Kind.TAP, 1.2)]


def test_left_and_right_tap_together_at_the_first_release() -> None:
    edges = in_time(pressed(LEFT, 1.0, 1.2) + pressed(RIGHT, 1.05, 1.4))
    assert play(edges) == [Gesture(frozenset(BOTH), Kind.TAP, 1.2)]


def test_left_and_right_hold_together_from_the_second_press() -> None:
    edges = in_time(pressed(RIGHT, 1.0, 3.0) + pressed(LEFT, 1.25, 3.1))
    assert play(edges) == [Gesture(frozenset(BOTH), Kind.HOLD, 1.25 + 0.6)]


def test_the_pedal_left_down_after_a_tap_together_does_no_more() -> None:
    edges = in_time(pressed(LEFT, 1.0, 1.2) + pressed(RIGHT, 1.0, 5.0))
    assert play(edges, [3.0]) == [Gesture(frozenset(BOTH), Kind.TAP, 1.2)]


def test_a_pedal_pressed_when_the_other_is_already_held_stands_alone() -> None:
    edges = in_time(pressed(LEFT, 1.0, 3.0) + pressed(RIGHT, 1.7, 1.9))
    assert play(edges) == [
        Gesture(frozenset(LEFT), Kind.HOLD, 1.6),
        Gesture(frozenset(RIGHT), Kind.TAP, 1.9),
    ]


def test_a_hold_seen_late_because_of_a_bounce_still_comes_before_the_other_press() -> None:
    bouncing = pressed(LEFT, 1.0, 1.59) + pressed(LEFT, 1.615, 3.0)
    edges = in_time(bouncing + pressed(RIGHT, 1.61, 1.9))
    assert play(edges) == [
        Gesture(frozenset(LEFT), Kind.HOLD, 1.6),
        Gesture(frozenset(RIGHT), Kind.TAP, 1.9),
    ]


def test_one_after_the_other_is_not_together_however_quick() -> None:
    edges = in_time(pressed(LEFT, 1.0, 1.2) + pressed(RIGHT, 1.21, 1.4))
    assert play(edges) == [
        Gesture(frozenset(LEFT), Kind.TAP, 1.2),
        Gesture(frozenset(RIGHT), Kind.TAP, 1.4),
    ]


def test_the_middle_pedal_goes_with_no_other() -> None:
    edges = in_time(pressed(MIDDLE, 1.0, 1.3) + pressed(LEFT, 1.1, 1.2))
    assert play(edges) == [
        Gesture(frozenset(LEFT), Kind.TAP, 1.2),
        Gesture(frozenset(MIDDLE), Kind.TAP, 1.3),
    ]


def test_middle_stays_apart_while_left_and_right_are_held_together() -> None:
    edges = in_time(pressed(BOTH, 1.0, 3.0) + pressed(MIDDLE, 1.1, 1.3))
    assert play(edges) == [
        Gesture(frozenset(MIDDLE), Kind.TAP, 1.3),
        Gesture(frozenset(BOTH), Kind.HOLD, 1.6),
    ]


def play_on(count: int, edges: list[Edge]) -> list[Gesture]:
    board = Pedalboard(replace(SETTINGS, count=count))
    gestures: list[Gesture] = []
    for at_s, pedal, what in in_time(edges):
        gestures += getattr(board, what)(pedal, at_s)
    return gestures + board.tick(1e6)


@pytest.mark.parametrize(("to_s", "kind", "at_s"), [(1.2, Kind.TAP, 1.2), (2.0, Kind.HOLD, 1.6)])
def test_both_pedals_of_two_stand_for_the_middle_one(to_s: float, kind: Kind, at_s: float) -> None:
    assert play_on(2, pressed(BOTH, 1.0, to_s)) == [Gesture(frozenset(MIDDLE), kind, at_s)]
    assert play_on(2, pressed(LEFT, 1.0, to_s)) == [Gesture(frozenset(LEFT), kind, at_s)]


@pytest.mark.parametrize(("to_s", "kind", "at_s"), [(1.2, Kind.TAP, 1.2), (2.0, Kind.HOLD, 1.6)])
def test_the_fourth_pedal_stands_for_left_and_right(to_s: float, kind: Kind, at_s: float) -> None:
    both = [Gesture(frozenset(BOTH), kind, at_s)]
    assert play_on(4, pressed(FOURTH, 1.0, to_s)) == both
    assert play_on(4, pressed(BOTH, 1.0, to_s)) == both


def test_everything_but_striking_out_and_pausing_can_be_done_with_two_pedals() -> None:
    reached = {
        action_of(gesture, heard)
        for pedals in (LEFT, RIGHT, BOTH)
        for to_s in (1.2, 2.0)
        for gesture in play_on(2, pressed(pedals, 1.0, to_s))
        for heard in Heard
    }
    assert reached == {*Action} - {Action.STRIKE_OUT, Action.PAUSE_OR_RESUME}


def test_a_pedal_held_for_ten_seconds_is_stuck_until_it_has_been_up() -> None:
    board = Pedalboard(SETTINGS)
    board.press(Pedal.LEFT, 1.0)
    assert board.tick(2.0) == [Gesture(frozenset(LEFT), Kind.HOLD, 1.6)]
    assert board.stuck(10.9) == set()
    assert board.stuck(11.0) == LEFT
    board.release(Pedal.LEFT, 20.0)
    board.press(Pedal.LEFT, 20.01)  # its contact only opened for a moment
    assert board.tick(21.0) == [] and board.stuck(21.0) == LEFT
    board.release(Pedal.LEFT, 30.0)
    board.tick(30.1)
    assert board.stuck(30.1) == set()
    assert play_after(board, pressed(LEFT, 31.0, 31.2)) == [
        Gesture(frozenset(LEFT), Kind.TAP, 31.2)
    ]


def test_a_pedal_found_down_does_nothing_until_it_has_been_up() -> None:
    board = Pedalboard(SETTINGS)
    assert board.found_down(Pedal.MIDDLE, 1.0) == []
    assert board.tick(2.0) == [] and board.stuck(11.0) == MIDDLE
    assert play_after(board, [(12.0, Pedal.MIDDLE, "release")]) == []
    assert play_after(board, pressed(MIDDLE, 1e6 + 1, 1e6 + 1.2)) == [
        Gesture(frozenset(MIDDLE), Kind.TAP, 1e6 + 1.2)
    ]


def play_after(board: Pedalboard, edges: list[Edge]) -> list[Gesture]:
    gestures = [g for at_s, pedal, what in edges for g in getattr(board, what)(pedal, at_s)]
    return gestures + board.tick(edges[-1][0] + 1.0)


@pytest.mark.parametrize("stuck", [LEFT, MIDDLE, RIGHT])
def test_a_stuck_pedal_leaves_the_others_as_they_are(stuck: set[Pedal]) -> None:
    board = Pedalboard(SETTINGS)
    for pedal in stuck:
        board.press(pedal, 1.0)
    board.tick(12.0)
    for pedal in set(LEFT | MIDDLE | RIGHT) - stuck:
        edges = pressed({pedal}, 13.0, 13.2)
        gestures = [g for at_s, which, what in edges for g in getattr(board, what)(which, at_s)]
        gestures += board.tick(13.3)
        assert gestures == [Gesture(frozenset({pedal}), Kind.TAP, 13.2)]
        assert board.stuck(13.3) == stuck
