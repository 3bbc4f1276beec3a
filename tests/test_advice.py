"""Choosing a drone: what the ranking must say, what each reason says, and when it says nothing."""

from collections import Counter
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from appliance.instruments import INSTRUMENTS
from appliance.practice.advice import DroneAdvice, NoteAdvice, Own, advise
from appliance.practice.roughness import roughness
from appliance.tuning import TUNINGS, beat_hz, note_hz, parse_note

MAJOR = (0, 2, 4, 5, 7, 9, 11, 12)
SECONDS, SMOOTHER = (1, 2, 10, 11), (3, 4, 5, 7)  # sevenths are seconds from the drone's octave


def passage(notes: str) -> Counter[int]:
    return Counter(map(parse_note, notes.split()))


def ranks(drones: tuple[DroneAdvice, ...]) -> list[int]:
    return [drone.midi % 12 for drone in drones]


def scales() -> list[tuple[str, int]]:
    """Every plain major scale of one octave that lies in the instrument's range."""
    return [
        (name, tonic)
        for name, instrument in INSTRUMENTS.items()
        for tonic in range(instrument.lowest, instrument.highest - 11)
    ]


@pytest.mark.parametrize("name", INSTRUMENTS)
def test_the_tonic_is_first_or_second_for_its_plain_major_scale(name: str) -> None:
    """Asked for with the plan for this program; that the tonic is the drone is common practice."""
    tonics = [tonic for instrument, tonic in scales() if instrument == name]
    assert {tonic % 12 for tonic in tonics} == set(range(12))
    for tonic in tonics:
        for degrees in (MAJOR, MAJOR[:-1], (*MAJOR, *MAJOR[-2:0:-1])):
            found = ranks(advise(Counter(tonic + d for d in degrees), a4_hz=440.0))
            assert tonic % 12 in found[:2], (tonic, degrees)


@given(
    drone=st.integers(24, 60),
    second=st.sampled_from(SECONDS[:2]),
    smoother=st.sampled_from(SMOOTHER),
    octaves=st.tuples(st.integers(1, 3), st.integers(1, 3)),
    tuning=st.sampled_from(TUNINGS),
)
def test_a_second_is_harder_than_any_third_fourth_or_fifth(
    drone: int, second: int, smoother: int, octaves: tuple[int, int], tuning: str
) -> None:
    """Common practice, no source."""
    notes = (drone + 12 * octaves[0] + second, drone + 12 * octaves[1] + smoother)
    for chosen in advise(Counter(notes), a4_hz=440.0, tuning=tuning):
        if chosen.midi % 12 == drone % 12:
            hardness = {note.midi: note.hardness for note in chosen.notes}
            assert hardness[notes[0]] > hardness[notes[1]]


def test_five_black_keys_want_one_of_themselves_and_not_g() -> None:
    """Common practice, no source."""
    found = ranks(advise(passage("F#3 G#3 A#3 C#4 D#4"), a4_hz=440.0))
    assert found.index(6) < found.index(7)
    assert found.index(1) < found.index(7)
    assert found[-1] == 7


def test_all_twelve_are_ranked_once() -> None:
    drones = advise(passage("E3 F#3 G#3 A3 C#4"), a4_hz=440.0)
    assert sorted(ranks(drones)) == list(range(12))
    assert [d.hardness for d in drones] == sorted(d.hardness for d in drones)
    assert drones == advise(passage("C#4 A3 G#3 F#3 E3"), a4_hz=440.0)


@pytest.mark.parametrize("a4_hz", [415.0, 440.0])
@pytest.mark.parametrize("notes", ["E1 G1", "C2 E2 G2", "G3 A3 B3", "A6 C7", "E8"])
def test_a_drone_can_be_heard_and_sounded(notes: str, a4_hz: float) -> None:
    """Its octave lies where a small loudspeaker plays, its root between C1 and C7."""
    lowest = min(passage(notes))
    for drone in advise(passage(notes), a4_hz=a4_hz):
        assert drone.hz == pytest.approx(note_hz(drone.midi, a4_hz))
        assert drone.hz >= 75.0
        assert drone.midi <= parse_note("C7")
        assert drone.midi <= lowest or note_hz(drone.midi - 12, a4_hz) < 75.0


def _reasons(drone: str, notes: str, tuning: str = "just") -> dict[str, NoteAdvice]:
    (chosen,) = (
        found
        for found in advise(passage(notes), a4_hz=440.0, tuning=tuning)
        if found.midi % 12 == parse_note(drone) % 12
    )
    assert chosen.name == drone
    return {note.name: note for note in chosen.notes}


def test_which_partials_meet_and_how_fast_they_beat() -> None:
    """A3 over A3, as five cents over 220 Hz beat at 0.64, 1.91, 2.55 and 3.18 Hz (arithmetic)."""
    rows = [
        ("A4", Fraction(2), Own.OCTAVE, 1.27),
        ("C#5", Fraction(5, 2), Own.OCTAVE, 3.18),
        ("D5", Fraction(8, 3), Own.FIFTH, 5.09),
        ("E5", Fraction(3), Own.OCTAVE, 1.91),
        ("F#5", Fraction(10, 3), Own.FIFTH, 6.36),
        ("C5", Fraction(12, 5), None, 7.63),
    ]
    notes = _reasons("A3", " ".join(name for name, *_ in rows))
    for name, ratio, own, beats_hz in rows:
        meeting = notes[name].meeting
        assert meeting is not None
        assert (meeting.of_drone, meeting.of_note) == (ratio.numerator, ratio.denominator)
        assert meeting.own is own
        assert 5 * meeting.beats_per_cent_hz == pytest.approx(beats_hz, abs=0.02)
        assert notes[name].beats_at_target_hz == pytest.approx(0.0, abs=1e-9)


def test_partials_that_a_small_loudspeaker_cannot_play_do_not_count() -> None:
    """A root of 131 Hz is not played, its octave is: the second partials meet, twice as fast."""
    (c3,) = (d for d in advise(passage("C3"), a4_hz=440.0) if d.midi % 12 == 0)
    (note,) = c3.notes
    assert note.meeting is not None
    assert (c3.name, note.meeting.of_drone, note.meeting.of_note) == ("C3", 2, 2)
    one_cent_sharp_hz = c3.hz * 2 ** (1 / 1200)
    assert note.meeting.beats_per_cent_hz == pytest.approx(
        2 * beat_hz(one_cent_sharp_hz, c3.hz, Fraction(1))
    )


def test_a_note_without_a_beat_free_pitch_says_so() -> None:
    for note in _reasons("A3", "A4 A#4 B4 D#5 G5 G#5").values():
        meeting = note.meeting
        assert (meeting is None) is (note.name != "A4")
        assert (note.beats_at_target_hz is None) is (meeting is None)


def test_a_tempered_third_beats_where_it_is_right() -> None:
    """An equal major third is 13.686 cents wide, an equal fifth 1.955 narrow (arithmetic)."""
    notes = _reasons("A3", "A4 C#5 E5", "equal")
    third, fifth = notes["C#5"], notes["E5"]
    assert third.beats_at_target_hz == pytest.approx(1100.0 * (2 ** (13.686 / 1200) - 1), abs=0.01)
    assert fifth.beats_at_target_hz == pytest.approx(660.0 * (1 - 2 ** (-1.955 / 1200)), abs=0.01)
    assert 1.0 < third.hardness < 2.0
    assert fifth.hardness < 1.0


def test_roughness_is_that_at_the_target() -> None:
    for note in _reasons("A3", "A4 E5 B4").values():
        expected = roughness(220.0, note.target_hz)
        assert note.roughness == pytest.approx(float(expected))


def test_how_often_a_note_is_played_counts() -> None:
    """Many Gs among a few notes of A major: the drone that suits G comes up."""
    few, many = passage("E4 A4 C#5 G4"), passage("E4 A4 C#5" + " G4" * 20)
    assert ranks(advise(few, a4_hz=440.0)).index(9) < ranks(advise(few, a4_hz=440.0)).index(7)
    assert ranks(advise(many, a4_hz=440.0)).index(7) < ranks(advise(many, a4_hz=440.0)).index(9)


@pytest.mark.parametrize("notes", [5, 40])
def test_a_longer_passage_asks_for_roughness_no_more_often(
    notes: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """All notes over a drone at once: that is what keeps it far under its 50 ms, which
    ``tests.bench.advice`` measures."""
    asked = list[int]()

    def counted(drone_hz: float, notes_hz: NDArray[np.float64]) -> NDArray[np.float64]:
        asked.append(len(notes_hz))
        return roughness(drone_hz, notes_hz)

    monkeypatch.setattr("appliance.practice.advice.roughness", counted)
    advise(Counter(range(45, 45 + notes)), a4_hz=440.0)
    assert 12 <= len(asked) <= 24  # twelve drones, each as the bass and where it is sounded
    assert set(asked) == {notes}


def test_nothing_played_is_no_passage() -> None:
    with pytest.raises(ValueError, match="no note"):
        advise({}, a4_hz=440.0)
