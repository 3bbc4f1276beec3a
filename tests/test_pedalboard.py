"""The pedalboard: what a press means, whatever the contacts do and whenever one looks."""

import itertools
import random
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from appliance.practice.pedalboard import Action, Gesture, Heard, Kind, Pedal, Pedalboard, action_of
from appliance.settings import PedalSettings

SETTINGS = PedalSettings()  # hold 0.6 s, debounce 0.03 s
LEFT, MIDDLE, RIGHT, FOURTH = ({pedal} for pedal in Pedal)
BOTH = LEFT | RIGHT
Edge = tuple[float, Pedal, str]


def play(edges: list[Edge], ticks: list[float] | None = None) -> list[Gesture]:
    """Feed the edges, with ticks in between, and look once more when all is over."""
    board = Pedalboard(SETTINGS)
    gestures: list[Gesture] = []
    moments = [*edges, *((at_s, Pedal.LEFT, "tick") for at_s in ticks or [])]
    for at_s, pedal, what in sorted(moments, key=lambda moment: moment[0]):
        if what == "tick":
            gestures += board.tick(at_s)
        else:
            gestures += getattr(board, what)(pedal, at_s)
    return gestures + board.tick(1e6)


def pressed(pedals: set[Pedal], from_s: float, to_s: float) -> list[Edge]:
    return [
        edge
        for pedal in sorted(pedals)
        for edge in ((from_s, pedal, "press"), (to_s, pedal, "release"))
    ]


def in_time(edges: list[Edge]) -> list[Edge]:
    return sorted(edges, key=lambda edge: edge[0])


# --- the table of the design --------------------------------------------------------------------

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


# --- one pedal ----------------------------------------------------------------------------------


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


# --- two pedals ---------------------------------------------------------------------------------


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


# --- properties ---------------------------------------------------------------------------------

# Durations in milliseconds, kept off the very edges of the rules by odd thirds.
DOWN_MS = st.one_of(st.integers(1, 1500), st.integers(560, 640)).map(lambda ms: ms + 1 / 3)
UP_MS = st.integers(40, 1500).map(lambda ms: ms + 1 / 3)  # a foot needs longer than a bounce
PRESSES = st.lists(st.tuples(UP_MS, DOWN_MS), min_size=1, max_size=8)
CHATTER = st.lists(st.integers(1, 25), max_size=6)  # milliseconds between bounces


def intervals(presses: list[tuple[float, float]]) -> list[tuple[float, float]]:
    spans, now_s = [], 0.0
    for up_ms, down_ms in presses:
        spans.append((now_s + up_ms / 1000, now_s + (up_ms + down_ms) / 1000))
        now_s = spans[-1][1]
    return spans


def expected_alone(pedal: Pedal, spans: list[tuple[float, float]]) -> list[Gesture]:
    return [
        Gesture(frozenset({pedal}), Kind.HOLD, start + SETTINGS.hold_s)
        if end - start >= SETTINGS.hold_s
        else Gesture(frozenset({pedal}), Kind.TAP, end)
        for start, end in spans
    ]


@settings(deadline=None)
@given(presses=PRESSES, pedal=st.sampled_from(Pedal))
def test_every_clean_press_is_one_gesture(presses: list[tuple[float, float]], pedal: Pedal) -> None:
    spans = intervals(presses)
    edges = [edge for span in spans for edge in pressed({pedal}, *span)]
    assert play(edges) == expected_alone(pedal, spans)


@settings(deadline=None)
@given(
    presses=PRESSES,
    pedal=st.sampled_from(Pedal),
    chatter=CHATTER,
    at_release=CHATTER,
    ticks=st.lists(st.floats(0, 20), max_size=40),
)
def test_bounces_of_any_shape_make_neither_more_nor_fewer_gestures(
    presses: list[tuple[float, float]],
    pedal: Pedal,
    chatter: list[int],
    at_release: list[int],
    ticks: list[float],
) -> None:
    """Contacts chatter, open less than the debouncing time, after each press and each release."""
    edges: list[Edge] = []
    kinds, now_s = [], 0.0
    for up_ms, down_ms in presses:
        now_s += (up_ms + 30) / 1000
        start_s = now_s
        edges.append((now_s, pedal, "press"))
        for gap_ms, what in zip(chatter, itertools.cycle(("release", "press")), strict=False):
            now_s += gap_ms / 1000
            edges.append((now_s, pedal, what))
        if len(chatter) % 2:
            now_s += 0.001
            edges.append((now_s, pedal, "press"))
        now_s += down_ms / 1000
        edges.append((now_s, pedal, "release"))
        for gap_ms, what in zip(at_release, itertools.cycle(("press", "release")), strict=False):
            now_s += gap_ms / 1000
            edges.append((now_s, pedal, what))
        if len(at_release) % 2:
            now_s += 0.001
            edges.append((now_s, pedal, "release"))
        kinds.append(Kind.HOLD if now_s - start_s >= SETTINGS.hold_s else Kind.TAP)
    assert [gesture.kind for gesture in play(edges, ticks)] == kinds


FEET = st.fixed_dictionaries(dict.fromkeys(Pedal, PRESSES))


@settings(max_examples=200, deadline=None)
@given(feet=FEET, ticks=st.lists(st.floats(0, 25), max_size=60))
def test_when_one_looks_changes_nothing(
    feet: dict[Pedal, list[tuple[float, float]]], ticks: list[float]
) -> None:
    edges = in_time(
        [
            e
            for p, presses in feet.items()
            for span in intervals(presses)
            for e in pressed({p}, *span)
        ]
    )
    seldom, often = play(edges), play(edges, ticks)
    assert sorted(seldom, key=str) == sorted(often, key=str)


@settings(max_examples=200, deadline=None)
@given(feet=FEET, seed=st.integers(0, 2**32))
def test_every_real_press_is_part_of_exactly_one_gesture(
    feet: dict[Pedal, list[tuple[float, float]]], seed: int
) -> None:
    chance = random.Random(seed)
    spans = {pedal: intervals(presses) for pedal, presses in feet.items()}
    edges: list[Edge] = []
    for pedal, its_spans in spans.items():
        for start, end in its_spans:
            edges += pressed({pedal}, start, end)
            if end - start > 0.1 and chance.random() < 0.5:  # the contact opens for a moment
                opens = chance.uniform(start + 0.01, end - 0.05)
                edges += [(opens, pedal, "release"), (opens + 0.02, pedal, "press")]
    gestures = play(in_time(edges))
    for pedal, its_spans in spans.items():
        assert sum(pedal in gesture.pedals for gesture in gestures) == len(its_spans)
    assert all(len(g.pedals) == 1 or g.pedals == BOTH for g in gestures)


@settings(max_examples=60, deadline=None)
@given(feet=FEET)
def test_a_gesture_is_told_once_its_time_has_come_and_never_before(
    feet: dict[Pedal, list[tuple[float, float]]],
) -> None:
    """Looking every 10 ms, each is told within debouncing time plus one look of its decision."""
    edges = in_time(
        [
            e
            for p, presses in feet.items()
            for span in intervals(presses)
            for e in pressed({p}, *span)
        ]
    )
    board = Pedalboard(SETTINGS)
    waiting = list(edges)
    for hundredth in range(round(edges[-1][0] * 100) + 200):
        now_s = hundredth / 100
        told = []
        while waiting and waiting[0][0] <= now_s:
            at_s, pedal, what = waiting.pop(0)
            told += [(at_s, gesture) for gesture in getattr(board, what)(pedal, at_s)]
        told += [(now_s, gesture) for gesture in board.tick(now_s)]
        for at_s, gesture in told:
            late_s = at_s - gesture.at_s
            assert -1e-9 <= late_s <= SETTINGS.debounce_s + 0.01 + 1e-9


# --- boards of two and four, and a pedal that is stuck ------------------------------------------


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


def play_after(board: Pedalboard, edges: list[Edge]) -> list[Gesture]:
    gestures = [g for at_s, pedal, what in edges for g in getattr(board, what)(pedal, at_s)]
    return gestures + board.tick(1e6)


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
