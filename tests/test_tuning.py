"""Note names, intervals, targets, open strings, beats."""

import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from appliance.instruments import find_instrument
from appliance.tuning import (
    TUNINGS,
    beat_hz,
    cents,
    error_cents,
    midi_of,
    narrowed,
    nearest_note,
    note_hz,
    note_name,
    open_string_hz,
    parse_note,
    pure_ratio,
    target,
)
from appliance.vocabulary import InstrumentError, NoteNameError

A3_HZ = 220.0
A4S = st.floats(400.0, 480.0)
PITCHES = st.floats(30.0, 4000.0)


def test_a4_is_440_hz() -> None:  # ISO 16:1975
    assert note_hz(parse_note("A4")) == 440.0


@pytest.mark.parametrize(  # equal temperament over A4 = 440 Hz, the usual published table
    ("name", "hz"),
    [("E1", 41.203), ("C2", 65.406), ("D3", 146.832), ("C4", 261.626), ("E5", 659.255)],
)
def test_equal_temperament(name: str, hz: float) -> None:
    assert note_hz(parse_note(name)) == pytest.approx(hz, abs=0.0005)


def test_a_415_room_is_a_semitone_lower() -> None:
    assert cents(415.0, 440.0) == pytest.approx(-101.27, abs=0.005)
    assert note_hz(parse_note("A4"), 415.0) == 415.0
    assert nearest_note(415.0, 415.0) == 69
    assert nearest_note(415.0, 440.0) == 68


@pytest.mark.parametrize(
    ("name", "midi"),
    [
        ("C4", 60),
        ("Bb3", 58),
        ("B♭3", 58),
        ("F#4", 66),
        ("F♯4", 66),
        ("Cb4", 59),
        ("B#3", 60),
        ("F##4", 67),
        ("bb3", 58),
        ("b3", 59),
        ("C-1", 0),
        ("G9", 127),
    ],
)
def test_note_names_are_read(name: str, midi: int) -> None:
    assert parse_note(name) == midi


@pytest.mark.parametrize(
    "name", ["", "A", "4", "H3", "A33", "A#b3", "A###3", "A 3", "G#9", "Cb-1", "A-2", "A٣", "A3\nB"]
)
def test_other_names_are_refused_with_an_example(name: str) -> None:
    with pytest.raises(NoteNameError, match="such as A3, Bb3 or F#4"):
        parse_note(name)


@given(st.integers(0, 127))
def test_names_go_there_and_back(midi: int) -> None:
    assert parse_note(note_name(midi)) == midi


@given(st.integers(0, 127), A4S, st.floats(-49.9, 49.9))
def test_a_note_is_the_nearest_within_half_a_semitone(
    midi: int, a4_hz: float, off_cents: float
) -> None:
    hz = note_hz(midi, a4_hz) * 2 ** (off_cents / 1200)
    assert nearest_note(hz, a4_hz) == midi
    assert midi_of(hz, a4_hz) == pytest.approx(midi + off_cents / 100, abs=1e-9)


@pytest.mark.parametrize(  # tables of just and Pythagorean intervals
    ("ratio", "size"),
    [
        (5 / 4, 386.314),
        (3 / 2, 701.955),
        (6 / 5, 315.641),
        (45 / 32, 590.224),
        (81 / 64, 407.820),
        (81 / 80, 21.506),  # syntonic comma
        (3**12 / 2**19, 23.460),  # Pythagorean comma
        (10 / 9, 182.404),
        (2.0, 1200.0),
    ],
)
def test_intervals_in_cents(ratio: float, size: float) -> None:
    assert cents(A3_HZ * ratio, A3_HZ) == pytest.approx(size, abs=0.0005)


def test_cents_of_arrays_keep_their_shape() -> None:
    found = cents(np.array([[220.0, 440.0], [110.0, 330.0]]), 220.0)
    assert found.shape == (2, 2)
    assert found == pytest.approx(np.array([[0.0, 1200.0], [-1200.0, 701.955]]), abs=0.001)


# Just and Pythagorean degrees as listed in tables, in cents over the tonic; two: a span's edges
JUST = [
    (0.0,),
    (90.225, 111.731),
    (182.404, 203.910),
    (315.641,),
    (386.314,),
    (498.045,),
    (590.224, 611.730),
    (701.955,),
    (813.686,),
    (884.359,),
    (996.090, 1017.596),
    (1088.269, 1109.775),
]
PYTHAGOREAN = [
    0.0,
    90.225,
    203.910,
    294.135,
    407.820,
    498.045,
    611.730,
    701.955,
    792.180,
    905.865,
    996.090,
    1109.775,
]


@pytest.mark.parametrize("degree", range(12))
@pytest.mark.parametrize("octave", [-2, -1, 0, 2])
def test_degrees_over_the_drone(degree: int, octave: int) -> None:
    midi = parse_note("A3") + degree + 12 * octave
    played_hz = note_hz(midi)
    just = target(played_hz, a4_hz=440.0, reference_hz=A3_HZ)
    pythagorean = target(played_hz, a4_hz=440.0, reference_hz=A3_HZ, tuning="pythagorean")
    equal = target(played_hz, a4_hz=440.0, reference_hz=A3_HZ, tuning="equal")
    root_hz = A3_HZ * 2**octave
    assert cents(just.low_hz, root_hz) == pytest.approx(JUST[degree][0], abs=0.0006)
    assert cents(just.high_hz, root_hz) == pytest.approx(JUST[degree][-1], abs=0.0006)
    assert cents(pythagorean.low_hz, root_hz) == pytest.approx(PYTHAGOREAN[degree], abs=0.0006)
    assert equal.low_hz == pytest.approx(played_hz, rel=1e-12)
    assert just.midi == pythagorean.midi == equal.midi == midi
    assert pythagorean.low_hz == pythagorean.high_hz
    assert equal.low_hz == equal.high_hz


def _over_g_in_c(name: str, tuning: str = "just") -> tuple[float, float]:
    """Cents above a drone on G3 of a note of C major."""
    g3_hz = note_hz(parse_note("G3"))
    found = target(
        note_hz(parse_note(name)), a4_hz=440.0, reference_hz=g3_hz, tonic_pc=0, tuning=tuning
    )
    return cents(found.low_hz, g3_hz), cents(found.high_hz, g3_hz)


@pytest.mark.parametrize(  # ratios over G: the drone is the just fifth of the tonic
    ("name", "ratios"),
    [
        ("G3", (Fraction(1),)),
        ("A3", (Fraction(10, 9),)),  # 5/3 over C: 182.40 cents above G, not 9/8
        ("B3", (Fraction(5, 4), Fraction(81, 64))),  # the leading note
        ("C4", (Fraction(4, 3),)),
        ("D4", (Fraction(3, 2),)),  # a second to C but a pure fifth to the drone
        ("E4", (Fraction(5, 3),)),
        ("F4", (Fraction(16, 9),)),  # a pure fourth to C
    ],
)
def test_c_major_over_a_drone_on_g(name: str, ratios: tuple[Fraction, ...]) -> None:
    expected = [1200 * math.log2(ratio) for ratio in (ratios[0], ratios[-1])]
    assert _over_g_in_c(name) == pytest.approx(expected, abs=1e-6)


def test_the_a_of_c_major_over_g() -> None:
    assert _over_g_in_c("A3")[0] == pytest.approx(182.40, abs=0.005)
    # three pure fifths above C, two above G
    assert _over_g_in_c("A3", "pythagorean")[0] == pytest.approx(203.91, abs=0.005)


def test_naming_the_drone_as_tonic_changes_nothing() -> None:
    for midi in range(40, 90):
        played = note_hz(midi)
        assert target(played, a4_hz=440, reference_hz=A3_HZ, tonic_pc=9) == target(
            played, a4_hz=440, reference_hz=A3_HZ
        )


def test_without_a_drone_the_room_is_the_reference() -> None:
    e4_hz = note_hz(64)
    assert target(e4_hz * 1.005, a4_hz=440.0).low_hz == e4_hz
    third = target(e4_hz, a4_hz=440.0, tonic_pc=0)
    assert cents(third.low_hz, note_hz(60)) == pytest.approx(386.314, abs=0.0005)


def test_a_drone_off_the_grid_keeps_its_own_pitch() -> None:
    cello = find_instrument("cello")
    c2_hz = open_string_hz(cello, parse_note("C2"))
    found = target(note_hz(parse_note("E3")), a4_hz=440.0, reference_hz=c2_hz)
    assert found.name == "E3"
    assert cents(found.low_hz, c2_hz) == pytest.approx(1200 + 386.314, abs=0.0005)


def test_an_unknown_tuning_is_refused() -> None:
    with pytest.raises(ValueError, match="just, pythagorean, equal"):
        target(440.0, a4_hz=440.0, tuning="meantone")


@pytest.mark.parametrize("degree", range(12))
def test_one_edge_of_a_span_where_a_teacher_wants_it(degree: int) -> None:
    played_hz = note_hz(parse_note("A3") + degree)
    for edge, place in (("low", 0), ("high", -1)):
        found = narrowed(target(played_hz, a4_hz=440.0, reference_hz=A3_HZ), edge)
        assert found.low_hz == found.high_hz
        assert cents(found.low_hz, A3_HZ) == pytest.approx(JUST[degree][place], abs=0.0006)


def test_an_unknown_edge_is_refused() -> None:
    with pytest.raises(ValueError, match="nearer, low, high"):
        narrowed(target(440.0, a4_hz=440.0), "middle")


@given(PITCHES, PITCHES, A4S, st.sampled_from(TUNINGS), st.none() | st.integers(0, 11))
def test_a_target_is_near_what_was_played_and_name_and_degree_agree(
    settled_hz: float, reference_hz: float, a4_hz: float, tuning: str, tonic_pc: int | None
) -> None:
    found = target(
        settled_hz, a4_hz=a4_hz, reference_hz=reference_hz, tuning=tuning, tonic_pc=tonic_pc
    )
    assert found.midi == nearest_note(settled_hz, a4_hz)
    assert found.low_hz <= found.high_hz
    # half a semitone of settled, half of the drone, and what just degrees lie off the grid
    assert abs(error_cents(settled_hz, found)) <= 50 + 50 + 40
    degree = (found.midi - nearest_note(reference_hz, a4_hz)) % 12
    if tuning != "equal" and tonic_pc is None:
        table = JUST[degree] if tuning == "just" else (PYTHAGOREAN[degree],)
        off = (cents(found.low_hz, reference_hz) - table[0] + 600) % 1200 - 600
        assert off == pytest.approx(0.0, abs=0.001)


@given(PITCHES, PITCHES, st.integers(-2, 2), st.sampled_from(TUNINGS))
def test_octaves_of_the_drone_give_the_same_target(
    settled_hz: float, reference_hz: float, octaves: int, tuning: str
) -> None:
    one = target(settled_hz, a4_hz=440.0, reference_hz=reference_hz, tuning=tuning)
    two = target(settled_hz, a4_hz=440.0, reference_hz=reference_hz * 2**octaves, tuning=tuning)
    assert two.low_hz == pytest.approx(one.low_hz, rel=1e-9)
    assert two.high_hz == pytest.approx(one.high_hz, rel=1e-9)


def test_the_error_counts_from_the_nearer_edge_of_a_span() -> None:
    second = target(note_hz(59), a4_hz=440.0, reference_hz=A3_HZ)  # B3: 182.404 to 203.910
    for played, error in [(180.404, -2.0), (182.404, 0.0), (193.0, 0.0), (209.910, 6.0)]:
        found = error_cents(A3_HZ * 2 ** (played / 1200), second)
        assert found == pytest.approx(error, abs=0.001)


@pytest.mark.parametrize(
    ("name", "string", "off_equal"),
    [  # 1.955 cents a fifth or fourth (3/2 is 701.955); cello C: three fifths below A
        ("cello", "C2", -5.865),
        ("cello", "G2", -3.910),
        ("cello", "D3", -1.955),
        ("cello", "A3", 0.0),
        ("viola", "C3", -5.865),
        ("violin", "G3", -3.910),
        ("violin", "E5", 1.955),
        ("double-bass", "E1", 1.955),
        ("double-bass", "A1", 0.0),
        ("double-bass", "D2", -1.955),
        ("double-bass", "G2", -3.910),
    ],
)
@pytest.mark.parametrize("a4_hz", [415.0, 440.0])
def test_open_strings_are_pure_from_a(
    name: str, string: str, off_equal: float, a4_hz: float
) -> None:
    midi = parse_note(string)
    found_hz = open_string_hz(find_instrument(name), midi, a4_hz)
    assert cents(found_hz, note_hz(midi, a4_hz)) == pytest.approx(off_equal, abs=0.0006)


@pytest.mark.parametrize(("name", "midi"), [("cello", 48), ("voice", 57)])
def test_no_open_string_is_an_error(name: str, midi: int) -> None:
    with pytest.raises(InstrumentError, match="no open string"):
        open_string_hz(find_instrument(name), midi)


@pytest.mark.parametrize(  # arithmetic: partial d of the note against partial n of the drone
    ("interval", "beats"),
    [
        (Fraction(1), 0.64),
        (Fraction(3, 2), 1.91),
        (Fraction(4, 3), 2.55),
        (Fraction(5, 4), 3.18),
    ],
)
def test_five_cents_above_a_drone_on_a3(interval: Fraction, beats: float) -> None:
    played_hz = A3_HZ * float(interval) * 2 ** (5 / 1200)
    assert beat_hz(played_hz, A3_HZ, interval) == pytest.approx(beats, abs=0.005)
    assert beat_hz(A3_HZ * float(interval), A3_HZ, interval) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(
    ("semitones", "ratio"),
    [
        (0, Fraction(1)),
        (3, Fraction(6, 5)),
        (-3, Fraction(5, 6)),
        (-5, Fraction(3, 4)),
        (7, Fraction(3, 2)),
        (-12, Fraction(1, 2)),
        (16, Fraction(5, 2)),
        (19, Fraction(3)),
        (-20, Fraction(5, 16)),  # a third below the octave below
    ],
)
def test_pure_intervals_up_and_down(semitones: int, ratio: Fraction) -> None:
    assert pure_ratio(semitones) == ratio


@pytest.mark.parametrize("semitones", [1, 2, 6, 10, 11, 13, -1, -2, -6, 26])
def test_seconds_tritones_and_sevenths_have_no_beat_free_pitch(semitones: int) -> None:
    assert pure_ratio(semitones) is None
