"""Ranges, strings and hand frames of the instruments: a pure table every room may read.

Where a figure comes from stands beside it, as far as it has a source:

- *strings*: the table of music21 10.5.1 (instrument.py);
- *table*: the instrument table of MuseScore 2.3.2 (instruments.xml in Debian's musescore-common);
- *abjad*: the pitch ranges of abjad 3.19 (instruments.py).

*Common practice* is trade lore found in every orchestration table, no source; *from memory* means
that nobody has found it in one of these. Every range for amateurs in *table* lies in ours; where
*table* or *abjad* go further, ``tests/test_instruments.py`` says by how much. The ranges bound what
the ear searches, so they are generous, not a judgement of what is playable.
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
    # Lowest of a string instrument: its lowest open string. Frames, first to fourth finger on one
    # string: common practice, no source.
    # To A7: a tone above table and abjad, from memory. A perfect fourth under the hand
    Instrument("violin", 55, 105, strings=(55, 62, 69, 76), frame_semitones=5),
    # To A6: table
    Instrument("viola", 48, 93, strings=(48, 55, 62, 69), frame_semitones=5),
    # To C6: from memory, between abjad's G5 and the table's F♯6. 3 semitones closed, 4 extended:
    # the wider one, so that an extension is never called a shift
    Instrument("cello", 36, 84, strings=(36, 43, 50, 57), frame_semitones=4),
    # Sounding; written an octave above. To G4: table, abjad. A whole tone, first to fourth finger
    Instrument("double-bass", 28, 67, strings=(28, 33, 38, 43), frame_semitones=2),
    # C1 G1 D2 A2, an octave below the cello: common practice, no source. To A4: as far above its
    # highest string as the one in fourths. The same hand
    Instrument("double-bass-in-fifths", 24, 69, strings=(24, 31, 38, 45), frame_semitones=2),
    # Pedal B♭1 to F5; from memory (table: C2 to D5, abjad: E2 to E♭5)
    Instrument("trombone", 34, 77, slide=True),
    # A bass's E2: abjad. A soprano's C6: common practice, no source (table: A♯6, abjad: E6)
    Instrument("voice", 40, 84),
    # B3 (B foot): table. D7: table, abjad
    Instrument("flute", 59, 98),
    # B♭3: table, abjad. G6: from memory (table: to C7, abjad: to A6)
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
