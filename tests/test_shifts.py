"""Shifts from sound alone: what a hand can cover where it stands is no shift.

Fingerings are common practice, no source.
"""

from itertools import permutations

import pytest

from appliance.hearing.shifts import ShiftFinder
from appliance.instruments import INSTRUMENTS
from appliance.tuning import note_hz, parse_note
from appliance.vocabulary import Arrival, Movement, Shift

BOW, SLIDE, STEP = Arrival.BOW, Arrival.SLIDE, Arrival.STEP


def shifts(instrument: str, line: str, a4_hz: float = 440.0) -> list[Shift | None]:
    """One entry a note; a name with ``~`` before it is reached by an audible slide."""
    finder = ShiftFinder(INSTRUMENTS[instrument], a4_hz)
    return [
        finder.arrive(
            note_hz(parse_note(name.lstrip("~")), a4_hz), SLIDE if name.startswith("~") else BOW
        )
        for name in line.split()
    ]


# First position, open strings and four fingers, up and down.
FIRST_POSITION = {
    "violin": "G3 A3 B3 C4 D4 E4 F#4 G4 A4 B4 C#5 D5 E5 F#5 G5 A5 G5 F#5 E5 D5 C#5 B4 A4 G4 F#4 E4",
    "viola": "C3 D3 E3 F3 G3 A3 B3 C4 D4 E4 F#4 G4 A4 B4 C5 D5 C5 B4 A4 G4 F#4 E4 D4",
    "cello": "C2 D2 E2 F2 G2 A2 B2 C3 D3 E3 F#3 G3 A3 B3 C4 D4 C4 B3 A3 G3 F#3 E3 D3",
    "double-bass": "E1 F1 G1 A1 B1 C2 D2 E2 F2 G2 A2 B2 A2 G2 F2 E2 D2 C2 B1 A1 G1 F1 E1",
}


@pytest.mark.parametrize("instrument", FIRST_POSITION)
@pytest.mark.parametrize("a4_hz", [415.0, 440.0])
def test_a_scale_in_first_position_has_no_shift(instrument: str, a4_hz: float) -> None:
    line = FIRST_POSITION[instrument]
    found = zip(line.split(), shifts(instrument, line, a4_hz), strict=True)
    assert [(name, shift) for name, shift in found if shift is not None] == []


@pytest.mark.parametrize(
    ("instrument", "line"),
    [
        ("violin", "A4 B4 C#5 ~B5"),
        ("violin", "E5 F#5 G#5 ~F#6"),
        ("viola", "D4 E4 ~E5"),
        ("cello", "A3 B3 ~B4"),
        ("double-bass", "G2 A2 ~A3"),
    ],
)
def test_a_slide_of_a_seventh_or_more_is_a_shift(instrument: str, line: str) -> None:
    *before, last = shifts(instrument, line)
    assert before == [None] * len(before)
    *_, from_name, to_name = line.replace("~", "").split()
    assert last is not None
    assert last.from_hz == pytest.approx(note_hz(parse_note(from_name)))
    assert last.to_hz == pytest.approx(note_hz(parse_note(to_name)))
    assert 0.5 <= last.likely <= 1.0


@pytest.mark.parametrize(
    ("instrument", "line"),
    [
        ("violin", "A3 B3 F#6"),  # the hand was at the G string's nut
        ("violin", "A3 C4 E4 G4 B4 D5 F#5 D6"),
        ("cello", "D2 F2 A2 C3 E3 G3 B3 F4"),
    ],
)
def test_what_the_hand_cannot_cover_where_it_stood_is_a_shift(instrument: str, line: str) -> None:
    # the design's definition of a shift; the notes before are all in first position
    *before, last = shifts(instrument, line)
    assert before == [None] * len(before)
    assert last is not None


def test_a_slide_makes_a_shift_more_likely() -> None:
    def likely(line: str) -> float:
        shift = shifts("cello", line)[-1]
        return shift.likely if shift else 0.0

    assert likely("B3 ~F4") > max(likely("B3 F4"), 0.5)


@pytest.mark.parametrize(
    ("instrument", "line"),
    [
        ("violin", "G3 E5 D4 A4 G3 A4 E5 G3"),
        ("cello", "C2 A3 G2 D3 C2 D3 A3"),
        ("double-bass", "E1 G2 A1 D2 E1 D2 G2"),
    ],
)
def test_open_strings_cost_no_move_of_the_hand(instrument: str, line: str) -> None:
    assert shifts(instrument, line) == [None] * len(line.split())


def test_an_open_string_does_not_move_the_hand() -> None:
    # the hand stays in first position while the open E sounds
    assert shifts("violin", "B4 C#5 E5 C#5 B4 E5 D5") == [None] * 7


def test_the_hands_frame_is_the_instruments_own() -> None:
    # A major third from a note that lies at the nut of the lowest string and nowhere else: inside
    # the hand on violin and cello, two semitones beyond the double bass's.
    assert shifts("violin", "G#3 C4")[-1] is None
    assert shifts("cello", "C#2 F2")[-1] is None
    assert shifts("double-bass", "F1 ~A#1")[-1] is not None


# The usual position of each note, first to seventh: the chart of method books, common practice.
TROMBONE = {
    **{"E2": 7, "F2": 6, "F#2": 5, "G2": 4, "Ab2": 3, "A2": 2, "Bb2": 1, "B2": 7, "C3": 6},
    **{"C#3": 5, "D3": 4, "Eb3": 3, "E3": 2, "F3": 1, "F#3": 5, "G3": 4, "Ab3": 3, "A3": 2},
    **{"Bb3": 1, "B3": 4, "C4": 3, "C#4": 2, "D4": 1, "Eb4": 3, "E4": 2, "F4": 1, "Bb4": 1},
}


def test_the_trombone_reports_slide_moves_under_that_name() -> None:
    for before, after in permutations(TROMBONE, 2):
        move = shifts("trombone", f"Bb1 {before} {before} {after}")[-1]
        if TROMBONE[before] == TROMBONE[after]:
            assert move is None, (before, after)
        elif abs(TROMBONE[before] - TROMBONE[after]) < 5:  # else an alternate may be nearer
            assert move is not None and move.movement is Movement.SLIDE_MOVE, (before, after)


def test_a_glide_on_the_trombone_is_a_slide_move() -> None:
    moved = shifts("trombone", "Bb3 ~G3")[-1]
    assert moved is not None and moved.likely > 0.9


@pytest.mark.parametrize("instrument", ["voice", "flute", "oboe", "clarinet", "bassoon", "horn"])
@pytest.mark.parametrize("glide", ["", "~"])
def test_without_a_hand_or_slide_a_fourth_or_more_is_a_leap(instrument: str, glide: str) -> None:
    # a second is a step, a third a skip, a fourth or more a leap: common practice, no source
    leaps = {"C4": None, "E4": None, "F4": None, "Bb4": 1.0, "C4 ": 1.0, "G4": 1.0, "Eb4": None}
    found = shifts(instrument, " ".join(glide + name.strip() for name in leaps))
    assert [move and move.likely for move in found] == list(leaps.values())
    assert {move.movement for move in found if move} == {Movement.LEAP}


def test_a_leap_has_the_settled_pitches_at_its_ends() -> None:
    leap = shifts("voice", "A3 E4")[-1]
    assert leap is not None
    assert (leap.from_hz, leap.to_hz) == pytest.approx((220.0, note_hz(parse_note("E4"))))


@pytest.mark.parametrize(("instrument", "to"), [("cello", "~E5"), ("voice", "E4")])
def test_after_a_long_rest_nobody_comes_from_anywhere(instrument: str, to: str) -> None:
    def arrival(rest_s: float) -> Shift | None:
        finder = ShiftFinder(INSTRUMENTS[instrument], 440.0)
        finder.arrive(220.0, BOW)
        how = SLIDE if to.startswith("~") else BOW
        return finder.arrive(note_hz(parse_note(to.lstrip("~"))), how, rest_s)

    assert arrival(2.9) is not None
    assert arrival(3.1) is None


def test_the_first_note_is_no_shift() -> None:
    assert shifts("violin", "~E7") == [None]
    assert shifts("trombone", "~C3") == [None]
    assert shifts("voice", "C4") == [None]


def test_a_note_no_hand_can_play_is_forgotten() -> None:
    assert shifts("cello", "B3 C7 A3 B3 A3") == [None] * 5


def test_the_same_note_again_is_no_shift() -> None:
    assert shifts("violin", "B5 ~B5 ~B5") == [None] * 3
