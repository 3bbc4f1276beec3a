"""Spelling, names, written pitch and the staff, held against tables written out by hand."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from appliance.instruments import INSTRUMENTS
from appliance.notation import (
    CLEFS,
    LANGUAGES,
    TONICS,
    TRANSPOSITIONS,
    Naming,
    Spelled,
    clef_of,
    on_staff,
    spell,
    spelled_name,
    tonic_of_drone,
    tonic_pitch_class,
    written_for,
)
from appliance.tuning import note_name, parse_note
from appliance.vocabulary import NoteNameError

# Scales as any scale book prints them: natural minor, with the raised sixth and seventh last.
SCALES = {
    "C": "C D E F G A B",
    "G": "G A B C D E F#",
    "E": "E F# G# A B C# D#",
    "B": "B C# D# E F# G# A#",
    "F#": "F# G# A# B C# D# E#",
    "F": "F G A Bb C D E",
    "Bb": "Bb C D Eb F G A",
    "Eb": "Eb F G Ab Bb C D",
    "Ab": "Ab Bb C Db Eb F G",
    "Gb": "Gb Ab Bb Cb Db Eb F",
}
MINOR = {
    "A": "A B C D E F G F# G#",
    "E": "E F# G A B C D C# D#",
    "C": "C D Eb F G Ab Bb A B",
    "F": "F G Ab Bb C Db Eb D E",
    "G": "G A Bb C D Eb F E F#",
    "C#": "C# D# E F# G# A B A# B#",
    "G#": "G# A# B C# D# E F# E# F##",
    "Eb": "Eb F Gb Ab Bb Cb Db C D",
}


@pytest.mark.parametrize(("tonic", "notes"), [*SCALES.items(), *MINOR.items()])
def test_scales_are_spelled_as_they_are_printed(tonic: str, notes: str) -> None:
    for name in notes.split():
        midi = parse_note(f"{name}4")
        assert spelled_name(spell(midi, TONICS[tonic]), octave=False) == name


@given(st.integers(0, 127), st.sampled_from(list(TONICS)))
def test_a_spelled_note_is_the_note_it_was(midi: int, tonic: str) -> None:
    note = spell(midi, TONICS[tonic])
    natural = (
        12 * (note.octave + 1)
        + {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}[note.letter]
    )
    assert natural + note.sharps == midi


@given(st.integers(0, 127))
def test_without_a_key_the_names_are_those_of_the_log(midi: int) -> None:
    assert Naming().note(midi) == note_name(midi)


@pytest.mark.parametrize(  # LilyPond's "deutsch" and "italiano" (Notation Reference; from memory)
    ("note", "german", "solfege"),
    [
        (Spelled("B", 0, 4), "H4", "Si4"),
        (Spelled("B", -1, 4), "B4", "Si♭4"),
        (Spelled("B", -2, 4), "Heses4", "Si♭♭4"),
        (Spelled("B", 1, 3), "His3", "Si♯3"),
        (Spelled("A", -1, 4), "As4", "La♭4"),
        (Spelled("A", -2, 4), "Asas4", "La♭♭4"),
        (Spelled("E", -1, 4), "Es4", "Mi♭4"),
        (Spelled("E", -2, 4), "Eses4", "Mi♭♭4"),
        (Spelled("D", -1, 4), "Des4", "Ré♭4"),
        (Spelled("F", 1, 4), "Fis4", "Fa♯4"),
        (Spelled("F", 2, 4), "Fisis4", "Fa♯♯4"),
        (Spelled("C", -1, 5), "Ces5", "Do♭5"),
        (Spelled("G", 0, 3), "G3", "Sol3"),
    ],
)
def test_german_names_and_solfege(note: Spelled, german: str, solfege: str) -> None:
    assert spelled_name(note, "german") == german
    assert spelled_name(note, "solfege") == solfege


WRITTEN = ((0, 0), *TRANSPOSITIONS.values())


@given(
    st.integers(0, 127),
    st.sampled_from(list(TONICS)),
    st.sampled_from(LANGUAGES),
    st.sampled_from(WRITTEN),
)
def test_what_is_written_is_read_again(
    midi: int, tonic: str, language: str, written: tuple[int, int]
) -> None:
    naming = Naming(TONICS[tonic], language, written)
    name = naming.note(midi)
    if re.fullmatch(r"\D+(-1|\d)", name):  # beyond octave 9 nothing is typed
        for typed in (name, name.lower(), name.replace("♯", "#").replace("♭", "b"), f" {name} "):
            assert naming.read(typed) == midi


@pytest.mark.parametrize(  # as above; the English name says what sounds
    ("language", "typed", "means"),
    [
        ("german", "H3", "B3"),
        ("german", "b3", "Bb3"),
        ("german", "Fis4", "F#4"),
        ("german", "ges4", "F#4"),
        ("german", "Es5", "D#5"),
        ("german", "As3", "G#3"),
        ("german", "Ces4", "B3"),
        ("german", "His3", "C4"),
        ("german", "F#4", "F#4"),
        ("english", "B3", "B3"),
        ("english", "bb3", "Bb3"),
        ("english", "B♭3", "Bb3"),
        ("solfege", "Si3", "B3"),
        ("solfege", "sib3", "Bb3"),
        ("solfege", "re♯4", "D#4"),
        ("solfege", "RÉ4", "D4"),
        ("solfege", "sol-1", "G-1"),
    ],
)
def test_typed_names(language: str, typed: str, means: str) -> None:
    assert Naming(language=language).read(typed) == parse_note(means)


def test_typed_notes_sound_where_the_part_is_written_for() -> None:
    """A clarinet's written C4 sounds B♭3, a horn's F3, a double bass's an octave lower."""
    for instrument, sounds in (("clarinet", "Bb3"), ("horn", "F3"), ("double-bass", "C3")):
        assert Naming(written=written_for(instrument)).read("C4") == parse_note(sounds)


@pytest.mark.parametrize(
    ("language", "typed"),
    [
        ("english", "H3"),
        ("english", "Fis4"),
        ("english", "Do4"),
        ("german", "Bb4"),  # B or Heses: nobody knows
        ("german", "Do4"),
        ("solfege", "A3"),
        ("english", "A"),
        ("english", "A10"),
        ("english", "G#9"),
        ("english", "Cb-1"),
        ("english", "A٣"),
        ("english", ""),
    ],
)
def test_what_is_no_note_of_the_language_is_refused(language: str, typed: str) -> None:
    naming = Naming(language=language)
    with pytest.raises(NoteNameError, match=f"such as {naming.note(57)}, {naming.note(59)}"):
        naming.read(typed)


@given(st.sampled_from(LANGUAGES), st.sampled_from(list(TONICS)))
def test_twelve_notes_have_twelve_names(language: str, tonic: str) -> None:
    naming = Naming(TONICS[tonic], language)
    assert len({naming.pitch_class(pitch_class) for pitch_class in range(12)}) == 12


@pytest.mark.parametrize(  # what a player of it reads for a sounding note; common practice
    ("instrument", "key", "sounding", "written"),
    [
        ("clarinet", "Bb", "Bb3", "C4"),
        ("clarinet", "Eb", "D4", "E4"),
        ("horn", "F", "F3", "C4"),
        ("horn", "Bb", "Eb4", "Bb4"),
        ("double-bass", "G", "F#2", "F#3"),
        ("viola", "D", "C#4", "C#4"),
    ],
)
def test_written_pitch(instrument: str, key: str, sounding: str, written: str) -> None:
    naming = Naming(TONICS[key], written=written_for(instrument))
    assert naming.note(parse_note(sounding)) == written


def test_written_keys_stay_readable() -> None:
    """A clarinet in B♭ reads B flat minor for G sharp minor, and never ten sharps."""
    assert Naming(TONICS["G#"], written=written_for("clarinet")).note(parse_note("G#3")) == "Bb3"
    assert Naming(TONICS["D#"], written=written_for("clarinet")).note(parse_note("D#4")) == "F4"


@pytest.mark.parametrize(  # middle C, and the lines that carry the clef; common practice
    ("clef", "note", "step"),
    [
        ("treble", "C4", -2),
        ("treble", "G4", 2),
        ("alto", "C4", 4),
        ("tenor", "C4", 6),
        ("bass", "C4", 10),
        ("bass", "F3", 6),
        ("treble", "F5", 8),
    ],
)
def test_the_staff(clef: str, note: str, step: int) -> None:
    assert on_staff(Spelled(note[0], 0, int(note[1])), clef).step == step


def test_ledger_lines_and_accidentals() -> None:
    assert on_staff(Spelled("A", 0, 3), "treble").ledger_lines == (-2, -4)
    assert on_staff(Spelled("E", -1, 4), "bass").ledger_lines == (10, 12)
    assert on_staff(Spelled("D", 0, 4), "treble").ledger_lines == ()
    assert on_staff(Spelled("E", -1, 4), "bass").sharps == -1


def test_every_instrument_has_a_clef_and_every_drone_a_key() -> None:
    assert {clef_of(name) for name in INSTRUMENTS} <= set(CLEFS)
    assert (clef_of("viola"), clef_of("cello"), clef_of("flute")) == ("alto", "bass", "treble")
    for pitch_class in range(12):
        assert 7 * tonic_of_drone(pitch_class) % 12 == pitch_class


def test_keys_by_name() -> None:
    assert tonic_pitch_class("Eb") == 3
    for name, fifths in TONICS.items():
        assert tonic_pitch_class(name) == 7 * fifths % 12
    with pytest.raises(NoteNameError, match="choose one of C, G, D"):
        tonic_pitch_class("H")
