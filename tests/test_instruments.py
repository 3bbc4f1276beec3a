"""The instrument table: spelling, strings and ranges."""

import itertools

import numpy as np
import pytest

from appliance.instruments import INSTRUMENTS, find_instrument
from appliance.tuning import note_name, parse_note
from appliance.vocabulary import InstrumentError
from tests.waves import bowed, cents_between, heard, rest, steady, tone, with_noise

# music21 10.5.1, instrument.py, looked up on 2026-11-29; the bass in fifths: an octave below the
# cello, common practice, no source
OPEN_STRINGS = {
    "violin": "G3 D4 A4 E5",
    "viola": "C3 G3 D4 A4",
    "cello": "C2 G2 D3 A3",
    "double-bass": "E1 A1 D2 G2",
    "double-bass-in-fifths": "C1 G1 D2 A2",
}


def test_the_table_has_the_eleven_instruments_the_bass_in_both_tunings_and_no_other() -> None:
    strings = "violin viola cello double-bass double-bass-in-fifths"
    others = "trombone voice flute oboe clarinet bassoon horn"
    assert list(INSTRUMENTS) == [*strings.split(), *others.split()]
    assert all(name == instrument.name for name, instrument in INSTRUMENTS.items())


@pytest.mark.parametrize(
    "name", ["double-bass", "double bass", "Double Bass", " DOUBLE  BASS ", "double_bass"]
)
def test_the_double_bass_is_understood_however_it_is_spelled(name: str) -> None:
    assert find_instrument(name) is INSTRUMENTS["double-bass"]


@pytest.mark.parametrize("name", ["", "kazoo", "doublebass!", "viol in"])
def test_an_unknown_instrument_lists_the_known_ones(name: str) -> None:
    with pytest.raises(InstrumentError) as caught:
        find_instrument(name)
    assert all(known in str(caught.value) for known in INSTRUMENTS)


@pytest.mark.parametrize(("name", "strings"), OPEN_STRINGS.items())
def test_open_strings(name: str, strings: str) -> None:
    assert " ".join(note_name(midi) for midi in INSTRUMENTS[name].strings) == strings


def test_strings_rise_by_fifths_and_on_the_bass_by_fourths() -> None:
    for name in OPEN_STRINGS:
        steps = {b - a for a, b in itertools.pairwise(INSTRUMENTS[name].strings)}
        assert steps == ({5} if name == "double-bass" else {7})


def test_a_stringed_instrument_begins_at_its_lowest_string_and_has_a_hand() -> None:
    for instrument in INSTRUMENTS.values():
        assert instrument.lowest < instrument.highest
        assert bool(instrument.strings) == (instrument.name in OPEN_STRINGS)
        assert (instrument.frame_semitones is not None) == bool(instrument.strings)
        if instrument.strings:
            assert instrument.lowest == instrument.strings[0]
            assert instrument.highest > instrument.strings[-1] + 12


def test_the_low_c_belongs_to_the_bass_in_fifths_alone() -> None:
    c1_hz = 32.703  # equal temperament, A4 = 440 Hz
    sound = np.concatenate([rest(0.5), bowed(tone(steady(c1_hz, 1.2))), rest(1.0)])
    (note,) = heard(with_noise(sound), instrument="double-bass-in-fifths")
    assert cents_between(note.landing_hz or 1.0, c1_hz) == pytest.approx(0.0, abs=1.0)
    assert heard(with_noise(sound), instrument="double-bass") == []


def test_only_the_trombone_moves_a_slide() -> None:
    assert [name for name, each in INSTRUMENTS.items() if each.slide] == ["trombone"]


@pytest.mark.parametrize(
    ("name", "low", "high"),
    [  # a narrow range that every player of it has: common practice, no source
        ("violin", "G3", "E7"),
        ("trombone", "E2", "B4"),
        ("flute", "C4", "C7"),
        ("oboe", "Bb3", "F6"),
        ("clarinet", "D3", "Bb5"),
        ("bassoon", "Bb1", "C5"),
        ("horn", "C2", "E5"),
        ("voice", "E2", "C6"),
    ],
)
def test_ranges_hold_what_everyone_plays(name: str, low: str, high: str) -> None:
    assert INSTRUMENTS[name].lowest <= parse_note(low)
    assert INSTRUMENTS[name].highest >= parse_note(high)


# MuseScore 2.3.2, instruments.xml in Debian's musescore-common 2.3.2+dfsg4-15: MIDI numbers at
# concert pitch, the range for amateurs and the range for professionals.
TABLE = {
    "violin": ((55, 88), (55, 103)),
    "viola": ((48, 79), (48, 93)),
    "cello": ((36, 67), (36, 90)),
    "double-bass": ((28, 62), (24, 67)),
    "trombone": ((40, 71), (36, 74)),
    "voice": ((40, 79), (36, 94)),
    "flute": ((60, 93), (59, 98)),
    "oboe": ((58, 87), (58, 96)),
    "clarinet": ((50, 89), (50, 94)),
    "bassoon": ((34, 69), (34, 76)),
    "horn": ((41, 69), (31, 77)),
}
# Where professionals go beyond us, downwards and upwards; what the ear does there is not promised.
BEYOND = {
    "cello": (0, 6),
    "double-bass": (4, 0),  # an extension to the C string
    "voice": (4, 10),
    "oboe": (0, 5),
    "horn": (4, 0),
}


@pytest.mark.parametrize(("name", "ranges"), TABLE.items())
def test_ranges_hold_a_published_table(
    name: str, ranges: tuple[tuple[int, int], tuple[int, int]]
) -> None:
    ours, ((low, high), (lowest, highest)) = INSTRUMENTS[name], ranges
    assert ours.lowest <= low and high <= ours.highest
    beyond = (max(0, ours.lowest - lowest), max(0, highest - ours.highest))
    assert beyond == BEYOND.get(name, (0, 0))


# abjad 3.19, instruments.py, looked up on 2026-11-29, sounding. Voice: the bass's lowest note and
# the soprano's highest.
SECOND_TABLE = {
    "violin": ("G3", "G7"),
    "viola": ("C3", "D6"),
    "cello": ("C2", "G5"),
    "double-bass": ("C1", "G4"),
    "trombone": ("E2", "Eb5"),
    "voice": ("E2", "E6"),
    "flute": ("C4", "D7"),
    "oboe": ("Bb3", "A6"),
    "clarinet": ("D3", "Bb6"),
    "bassoon": ("Bb1", "Eb5"),
    "horn": ("B1", "F5"),
}
BEYOND_OF_SECOND = {"double-bass": (4, 0), "voice": (0, 4), "oboe": (0, 2)}


@pytest.mark.parametrize(("name", "ends"), SECOND_TABLE.items())
def test_ranges_hold_a_second_published_table(name: str, ends: tuple[str, str]) -> None:
    ours, (lowest, highest) = INSTRUMENTS[name], (parse_note(end) for end in ends)
    beyond = (max(0, ours.lowest - lowest), max(0, highest - ours.highest))
    assert beyond == BEYOND_OF_SECOND.get(name, (0, 0))


# Rosegarden 22.12.1, the presets inside Debian's rosegarden 1:22.12.1-1, looked up on 2026-11-29,
# sounding: of professionals. The bass there is given as it is written, the trombone is the tenor's
# lowest note and the alto's highest, the voice the bass's lowest and the soprano's highest.
THIRD_TABLE = {
    "violin": ("G3", "G7"),
    "viola": ("C3", "A6"),
    "cello": ("C2", "C5"),
    "double-bass": ("B0", "G4"),
    "trombone": ("E2", "F5"),
    "voice": ("F2", "C6"),
    "flute": ("B3", "D7"),
    "oboe": ("Bb3", "A6"),
    "clarinet": ("D3", "Bb6"),
    "bassoon": ("Bb1", "E5"),
    "horn": ("G1", "F5"),
}
BEYOND_OF_THIRD = {"double-bass": (5, 0), "oboe": (0, 2), "horn": (4, 0)}


@pytest.mark.parametrize(("name", "ends"), THIRD_TABLE.items())
def test_ranges_hold_a_third_published_table(name: str, ends: tuple[str, str]) -> None:
    ours, (lowest, highest) = INSTRUMENTS[name], (parse_note(end) for end in ends)
    beyond = (max(0, ours.lowest - lowest), max(0, highest - ours.highest))
    assert beyond == BEYOND_OF_THIRD.get(name, (0, 0))


# MuseScore 3.2.3, instruments.xml in Debian's musescore3-common 3.2.3+dfsg2-16, looked up on
# 2026-11-29: of professionals. Of one family the lowest and the highest.
FAMILIES = {
    "trombone": ("Eb1", "F5"),  # bass-trombone, alto-trombone
    "voice": ("F2", "C6"),  # baritone, soprano
}


def test_every_end_of_a_range_lies_inside_a_published_one() -> None:
    """The bass in fifths is the one of an octave below the cello, common practice, no source."""
    for name, instrument in INSTRUMENTS.items():
        if name == "double-bass-in-fifths":
            continue
        named = [SECOND_TABLE[name], THIRD_TABLE[name], FAMILIES.get(name, THIRD_TABLE[name])]
        ends = [tuple(map(parse_note, one)) for one in named] + [TABLE[name][1]]
        assert min(low for low, _ in ends) <= instrument.lowest
        assert instrument.highest <= max(high for _, high in ends)


# First to fourth finger on one string, and what it follows from in the method that is named; all
# three books from memory.
FRAMES = {
    # Flesch, Die Kunst des Violinspiels, 1923: an octave on two strings, which are a fifth apart
    "violin": 12 - 7,
    "viola": 12 - 7,
    # Duport, Essai sur le doigté du violoncelle, 1806: three semitones; extended one more, which is
    # common practice, no source
    "cello": 1 + 1 + 1 + 1,
    # Simandl, New Method for the Double Bass, 1881: a semitone to the second finger, one to the
    # fourth
    "double-bass": 1 + 1,
    "double-bass-in-fifths": 1 + 1,
}


def test_the_hand_spans_what_methods_say() -> None:
    frames = {name: one.frame_semitones for name, one in INSTRUMENTS.items() if one.strings}
    assert frames == FRAMES


def test_the_bass_in_fifths_is_an_octave_below_the_cello() -> None:
    """Common practice, no source."""
    cello = [parse_note(name) - 12 for name in OPEN_STRINGS["cello"].split()]
    assert list(INSTRUMENTS["double-bass-in-fifths"].strings) == cello


# music21 10.5.1, instrument.py, looked up on 2026-11-29: the lowest note, sounding.
LOWEST = {
    "violin": "G3",
    "viola": "C3",
    "cello": "C2",
    "double-bass": "E1",
    "trombone": "E2",
    "flute": "C4",
    "oboe": "Bb3",
    "clarinet": "D3",
    "bassoon": "Bb1",
}


@pytest.mark.parametrize(("name", "lowest"), LOWEST.items())
def test_the_lowest_note_is_that_of_a_published_table_or_lower(name: str, lowest: str) -> None:
    below = parse_note(lowest) - INSTRUMENTS[name].lowest
    # the pedal notes of the trombone and the B foot of the flute, which that table leaves out
    assert below == {"trombone": 6, "flute": 1}.get(name, 0)


def test_the_tables_have_every_instrument() -> None:
    assert {*TABLE, "double-bass-in-fifths"} == set(INSTRUMENTS)
    assert SECOND_TABLE.keys() == THIRD_TABLE.keys() == TABLE.keys()
