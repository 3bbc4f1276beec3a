"""The pedalboard, whatever the contacts do and whenever one looks."""

import itertools
import random

from hypothesis import given, settings
from hypothesis import strategies as st

from appliance.practice.pedalboard import Gesture, Kind, Pedal, Pedalboard
from tests.presses import BOTH, SETTINGS, Edge, in_time, play, pressed

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


def bounces(
    at_s: float, pedal: Pedal, gaps_ms: list[int], opposite_and_own: tuple[str, str]
) -> list[Edge]:
    """A contact that chatters after an edge at ``at_s`` and comes to rest as that edge left it."""
    edges: list[Edge] = []
    for gap_ms, what in zip(gaps_ms, itertools.cycle(opposite_and_own), strict=False):
        at_s += gap_ms / 1000
        edges.append((at_s, pedal, what))
    if len(gaps_ms) % 2:
        edges.append((at_s + 0.001, pedal, opposite_and_own[1]))
    return edges


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
        edges += bounces(now_s, pedal, chatter, ("release", "press"))
        now_s = edges[-1][0] + down_ms / 1000
        edges.append((now_s, pedal, "release"))
        edges += bounces(now_s, pedal, at_release, ("press", "release"))
        now_s = edges[-1][0]
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
