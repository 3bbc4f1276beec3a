"""Ranges, strings and hand frames of the instruments: a pure table every room may read.

Where a figure comes from stands beside it:

- *strings*: the table of music21 10.5.1 (instrument.py);
- *table*: the instrument table of MuseScore (instruments.xml in Debian's musescore-common 2.3.2 and
  musescore3-common 3.2.3), whose upper ends are those of professionals;
- *abjad*: the pitch ranges of abjad 3.19 (instruments.py);
- *presets*: the instrument presets of Rosegarden 22.12.1 (inside Debian's rosegarden);
- *inside*: our own bound, inside what a source has.

*Common practice* is trade lore found in every orchestration table, no source; *from memory* means
that the method named has not been looked into. Every range for amateurs in *table* lies in ours;
where *table*, *abjad* or *presets* go further, ``tests/test_instruments.py`` says by how much. The
ranges bound what the ear searches, so they are generous, not a judgement of what is playable.
"""

from dataclasses import dataclass

from appliance.vocabulary import InstrumentError, Movement


@dataclass(frozen=True, slots=True)
class Instrument:
    """What the ear must know of an instrument; pitches are MIDI numbers at concert pitch."""

    name: str  # as on the command line: "double-bass"
    lowest: int
    highest: int
    strings: tuple[int, ...] = ()  # open strings, low to high; empty without strings
    frame_semitones: int | None = None  # first to fourth finger, one string; None: no hand frame
    slide: bool = False  # moves a slide (trombone)

    @property
    def movement(self) -> Movement:
        """What it reports of arrivals: shifts with a hand frame, else slide moves or leaps."""
        if self.frame_semitones is not None:
            return Movement.SHIFT
        return Movement.SLIDE_MOVE if self.slide else Movement.LEAP


_TABLE = (
    # Lowest of a string instrument: its lowest open string. Frames: first to fourth finger on one
    # string.
    # To G7: table, abjad, presets. First and fourth finger make an octave on two strings a fifth
    # apart, and so a fourth on one (Flesch, Die Kunst des Violinspiels, 1923; from memory)
    Instrument("violin", 55, 103, strings=(55, 62, 69, 76), frame_semitones=5),
    # To A6: table, presets. The violin's hand, a fifth lower
    Instrument("viola", 48, 93, strings=(48, 55, 62, 69), frame_semitones=5),
    # To C6: inside (table: F♯6). A semitone from finger to finger, 3 in all (Duport, Essai sur le
    # doigté du violoncelle, 1806; from memory), 4 extended: common practice, no source. Ours is the
    # wider one, so that an extension is never called a shift
    Instrument("cello", 36, 84, strings=(36, 43, 50, 57), frame_semitones=4),
    # Sounding; written an octave above. To G4: table, abjad. A semitone from the first finger to
    # the second, and one more to the fourth (Simandl, New Method for the Double Bass, 1881; from
    # memory)
    Instrument("double-bass", 28, 67, strings=(28, 33, 38, 43), frame_semitones=2),
    # C1 G1 D2 A2, an octave below the cello: common practice, no source. To A4: as far above its
    # highest string as the one in fourths. The same hand
    Instrument("double-bass-in-fifths", 24, 69, strings=(24, 31, 38, 45), frame_semitones=2),
    # B♭1: inside (a bass trombone's E♭1: table); the first pedal note of a tenor's. F5: an alto's
    # (table, presets)
    Instrument("trombone", 34, 77, slide=True),
    # A bass's E2: abjad. A soprano's C6: table, presets
    Instrument("voice", 40, 84),
    # B3 (B foot): table. D7: table, abjad
    Instrument("flute", 59, 98),
    # B♭3: table, abjad, presets. G6: inside (abjad, presets: A6)
    Instrument("oboe", 58, 91),
    # In B♭, sounding D3 to B♭6: table, abjad
    Instrument("clarinet", 50, 94),
    # B♭1: table, abjad. E5: table
    Instrument("bassoon", 34, 76),
    # In F, sounding B1 to F5: abjad
    Instrument("horn", 35, 77),
)

INSTRUMENTS: dict[str, Instrument] = {instrument.name: instrument for instrument in _TABLE}


def find_instrument(name: str) -> Instrument:
    """Return the instrument of that name; case, and space or hyphen, do not matter.

    Raises InstrumentError, whose text lists the names.
    """
    try:
        return INSTRUMENTS["-".join(name.lower().replace("-", " ").replace("_", " ").split())]
    except KeyError:
        raise InstrumentError(
            f"there is no instrument {name!r}: choose one of {', '.join(INSTRUMENTS)}"
        ) from None
