"""How a note is written: spelling in a key, names in three languages, written pitch, the staff.

Pure tables and arithmetic. The log and JSON keep scientific pitch at concert pitch; what stands
here is only for people who read a page. Spelling is told on the line of fifths
(… B♭ = -2, F = -1, C = 0, G = 1, D = 2 …): of the names a pitch can have, the one within five
fifths below and six above the tonic is taken, which gives every degree of the major and of the
minor scale, raised ones too, its usual name. On C and in flat keys the twelve reach from four below
to seven above: there the raised first degree is more usual than the lowered second. Common
practice, no source, where nothing else is said.
"""

import re
from dataclasses import dataclass

from appliance.tuning import parse_note
from appliance.vocabulary import NoteNameError

LANGUAGES = ("english", "german", "solfege")
CLEFS = ("treble", "alto", "tenor", "bass")

SHARPS_ONLY = 4  # in E every black key is a sharp: the names of the log

_LETTERS = "FCGDAEB"  # along the line of fifths
_STEPS = "CDEFGAB"  # up the staff
_SEMITONES = dict(zip(_STEPS, (0, 2, 4, 5, 7, 9, 11), strict=True))
_PLAIN = str.maketrans("♯♭é", "#be")
_TYPED = re.compile(r"(\D+?)(-1|\d)", re.ASCII)
_EXAMPLES = (57, 59, 66)  # A3, B3 and F#4 tell the languages apart
_SOLFEGE = {"C": "Do", "D": "Ré", "E": "Mi", "F": "Fa", "G": "Sol", "A": "La", "B": "Si"}
# Fewest accidentals in the major key of each pitch class; F# and G♭ have six each.
_FIFTHS_OF_PC = (0, -5, 2, -3, 4, -1, 6, 1, -4, 3, -2, 5)

# Keys a reader may choose, by their tonic: as far as seven accidentals in major or in minor.
TONICS: dict[str, int] = {
    **{"C": 0, "G": 1, "D": 2, "A": 3, "E": 4, "B": 5, "F#": 6, "C#": 7, "G#": 8, "D#": 9},
    **{"F": -1, "Bb": -2, "Eb": -3, "Ab": -4, "Db": -5, "Gb": -6},
}

# How many semitones, and fifths, a part is written above what sounds. Orchestration tables; written
# here from memory.
IN_B_FLAT, IN_A, IN_F, IN_E_FLAT, OCTAVE = (2, 2), (3, -3), (7, 1), (9, 3), (12, 0)
TRANSPOSITIONS: dict[str, tuple[int, int]] = {
    "in-Bb": IN_B_FLAT,
    "in-A": IN_A,
    "in-F": IN_F,
    "in-Eb": IN_E_FLAT,
    "octave": OCTAVE,
}
_WRITTEN: dict[str, tuple[int, int]] = {
    "clarinet": IN_B_FLAT,
    "horn": IN_F,
    "double-bass": OCTAVE,
    "double-bass-in-fifths": OCTAVE,
}
_CLEF_OF = {
    "viola": "alto",
    **dict.fromkeys(("cello", "double-bass", "double-bass-in-fifths"), "bass"),
    **dict.fromkeys(("trombone", "bassoon"), "bass"),
}
# The note on each clef's bottom line, as a step of the staff counted from C0.
_BOTTOM_LINES = {"treble": "E4", "alto": "F3", "tenor": "D3", "bass": "G2"}


@dataclass(frozen=True, slots=True)
class Spelled:
    """A note with its letter (A to G), sharps (negative: flats) and octave in scientific pitch."""

    letter: str
    sharps: int
    octave: int

    @property
    def step(self) -> int:
        """Steps of the staff above C0, accidentals left out."""
        return 7 * self.octave + _STEPS.index(self.letter)


@dataclass(frozen=True, slots=True)
class StaffPlace:
    """Where a note stands on a staff: ``step`` 0 is the bottom line, 1 the space above it, and so
    on (8 is the top line; below 0 and above 8 ledger lines begin at -2 and 10).

    ``sharps`` is what the note has, 2 to -2, whatever a key signature already says.
    """

    step: int
    sharps: int

    @property
    def ledger_lines(self) -> tuple[int, ...]:
        """Steps at which short lines are drawn, from the staff outwards."""
        return (*range(10, self.step + 1, 2), *range(-2, self.step - 1, -2))


def tonic_pitch_class(tonic: str) -> int:
    """Return the pitch class (C = 0) of one of TONICS. Raises NoteNameError for another."""
    if tonic not in TONICS:
        raise NoteNameError(f"{tonic!r} is no key here: choose one of {', '.join(TONICS)}.")
    return parse_note(f"{tonic}4") % 12


def tonic_of_drone(pitch_class: int) -> int:
    """Return the fifths of a drone taken as tonic: the major key of the fewest accidentals."""
    return _FIFTHS_OF_PC[pitch_class % 12]


def spell(midi: int, tonic_fifths: int) -> Spelled:
    """Spell a MIDI number in the key whose tonic lies so many fifths above C."""
    lowest = tonic_fifths - (5 if tonic_fifths > 0 else 4)
    fifths = lowest + (7 * midi - lowest) % 12  # 7 is its own inverse modulo 12
    sharps, letter = divmod(fifths + 1, 7)
    natural = midi - sharps
    return Spelled(_LETTERS[letter], sharps, natural // 12 - 1)


def spelled_name(note: Spelled, language: str = "english", *, octave: bool = True) -> str:
    """Write a spelled note out: ``Bb3``, in German ``B3`` (and B is ``H3``), fixed do ``Si♭3``.

    Octaves are those of scientific pitch in every language. German names as in LilyPond's
    ``deutsch`` (Notation Reference, note names in other languages; from memory).
    """
    names = {"english": _english, "german": _german, "solfege": _solfege}
    name = names[language](note.letter, note.sharps)
    return f"{name}{note.octave}" if octave else name


def _english(letter: str, sharps: int) -> str:
    return letter + ("#" * sharps if sharps > 0 else "b" * -sharps)


def _german(letter: str, sharps: int) -> str:
    if letter == "B":
        return "B" if sharps == -1 else "H" + ("is" * sharps if sharps > 0 else "es" * -sharps)
    if sharps >= 0:
        return letter + "is" * sharps
    if letter in "AE":  # As, Asas; Es, Eses
        return f"{letter}s" + ("as" if letter == "A" else "es") * (-sharps - 1)
    return letter + "es" * -sharps


def _solfege(letter: str, sharps: int) -> str:
    return _SOLFEGE[letter] + ("♯" * sharps if sharps > 0 else "♭" * -sharps)


def plain(name: str) -> str:
    """Return a name as it is compared: small letters, # for ♯, b for ♭, e for é."""
    return name.casefold().translate(_PLAIN)


def _read(language: str) -> dict[str, int]:
    """Return semitones above C of every name without its octave, from two flats to two sharps."""
    spelled = [Spelled(letter, sharps, 0) for letter in _STEPS for sharps in range(-2, 3)]
    names = {
        spelled_name(note, language, octave=False): _SEMITONES[note.letter] + note.sharps
        for note in spelled
    }
    if language == "german":
        names |= {
            ("H" if letter == "B" else letter) + "#" * sharps: _SEMITONES[letter] + sharps
            for letter in _STEPS
            for sharps in (1, 2)
        }
    return {plain(name): semitones for name, semitones in names.items()}


_READ = {language: _read(language) for language in LANGUAGES}


def written_for(instrument: str) -> tuple[int, int]:
    """Return how many semitones and fifths an instrument's part is written above what sounds.

    A clarinet is taken for one in B♭, a horn for one in F.
    """
    return _WRITTEN.get(instrument, (0, 0))


def clef_of(instrument: str) -> str:
    """Return the clef that an instrument mostly reads."""
    return _CLEF_OF.get(instrument, "treble")


def on_staff(note: Spelled, clef: str) -> StaffPlace:
    """Place a spelled note on the staff of one of CLEFS."""
    name = _BOTTOM_LINES[clef]
    return StaffPlace(note.step - Spelled(name[0], 0, int(name[1])).step, note.sharps)


@dataclass(frozen=True, slots=True)
class Naming:
    """How a page names notes: the key, the language, and how far above sounding they are written.

    The plain one gives the names of the log.
    """

    tonic_fifths: int = SHARPS_ONLY
    language: str = "english"
    written: tuple[int, int] = (0, 0)

    def spelled(self, midi: int) -> Spelled:
        """Spell a sounding note as it is written."""
        semitones, fifths = self.written
        tonic = self.tonic_fifths + fifths
        return spell(midi + semitones, tonic if not fifths else (tonic + 6) % 12 - 6)

    def note(self, midi: int) -> str:
        """Name a note, such as ``F#4``."""
        return spelled_name(self.spelled(midi), self.language)

    def read(self, text: str) -> int:
        """Return the sounding MIDI number of a note typed the way :meth:`note` writes it.

        Any spelling will do, capitals or not, # for ♯, b for ♭ and Re for Ré; in German F# is
        read, too. Bb is not: there it could be B or Heses. Raises NoteNameError for what is no
        note in this language, and for what would sound outside MIDI's 0 to 127.
        """
        found = _TYPED.fullmatch(plain(text.strip()))
        midi = -1
        if found and found[1] in _READ[self.language]:
            midi = _READ[self.language][found[1]] + 12 * (int(found[2]) + 1) - self.written[0]
        if 0 <= midi <= 127:
            return midi
        such = ", ".join(map(self.note, _EXAMPLES))
        raise NoteNameError(f"{text!r} is no note name here: write them such as {such}")

    def move(self, from_midi: int, to_midi: int) -> str:
        """Name an arrival, such as ``B3→G4``."""
        return f"{self.note(from_midi)}→{self.note(to_midi)}"

    def pitch_class(self, pitch_class: int) -> str:
        """Name a pitch class (C = 0), such as ``F#``."""
        return spelled_name(self.spelled(60 + pitch_class % 12), self.language, octave=False)
