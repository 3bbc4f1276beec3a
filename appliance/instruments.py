"""Ranges, strings and hand frames of the instruments: a pure table every room may read.

Where a figure comes from stands beside it. *Common practice* is trade lore found in every
orchestration table, no source; *from memory* means that nobody looked it up; *table* is the
instrument table of MuseScore 2.3.2 (instruments.xml in Debian's musescore-common), whose ranges for
amateurs lie inside ours all, and whose ranges for professionals are ours where it says so. The
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
    # Strings: common practice, no source. Frames: common practice, no source, first to fourth
    # finger on one string. Lowest: the lowest open string. Tops: the end of an ordinary
    # fingerboard, from memory; viola and double bass also by the table.
    # G3 D4 A4 E5, to A7 (table: G7); a perfect fourth under the hand
    Instrument("violin", 55, 105, strings=(55, 62, 69, 76), frame_semitones=5),
    # C3 G3 D4 A4, to A6
    Instrument("viola", 48, 93, strings=(48, 55, 62, 69), frame_semitones=5),
    # C2 G2 D3 A3, to C6 (table: F♯6, with the thumb); 3 semitones closed, 4 extended: the wider
    # one, so that an extension is never called a shift
    Instrument("cello", 36, 84, strings=(36, 43, 50, 57), frame_semitones=4),
    # E1 A1 D2 G2 (sounding; written an octave above), to G4; a whole tone, first to fourth finger
    Instrument("double-bass", 28, 67, strings=(28, 33, 38, 43), frame_semitones=2),
    # C1 G1 D2 A2, an octave below the cello, to A4; the same hand
    Instrument("double-bass-in-fifths", 24, 69, strings=(24, 31, 38, 45), frame_semitones=2),
    # Tenor: pedal B♭1 to F5; from memory (table: C2 to D5)
    Instrument("trombone", 34, 77, slide=True),
    # A bass's E2 to a soprano's C6; common practice, no source (table: amateurs E2 to G5,
    # professionals C2 to A♯6)
    Instrument("voice", 40, 84),
    # B3 (B foot) to D7; table
    Instrument("flute", 59, 98),
    # B♭3 to G6; from memory (table: to C7)
    Instrument("oboe", 58, 91),
    # In B♭, written E3 to C7, sounding D3 to B♭6; table
    Instrument("clarinet", 50, 94),
    # B♭1 to E5; table
    Instrument("bassoon", 34, 76),
    # In F, sounding B1 (from memory; table: G1) to F5 (table)
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
