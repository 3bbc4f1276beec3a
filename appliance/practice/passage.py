"""A passage as somebody writes it: notes, each with its string and finger where they are given.

``E3`` is a note, ``E3/D`` the same on the D string, ``E3/D1`` with the first finger there, and
``D3/D0`` the open string. Pure.
"""

import re
from collections import Counter
from dataclasses import dataclass

from appliance.instruments import Instrument
from appliance.tuning import note_name, parse_note, pitch_class_name
from appliance.vocabulary import GroundnoteError

LONGEST = 100  # notes; ranking drones takes no order, and a longer passage says nothing new
FINGERS = (1, 2, 3, 4)
OPEN = 0

_PLACE = re.compile(r"([A-Ga-g])([0-4])?", re.ASCII)


class PassageError(GroundnoteError):
    """A passage cannot be read, or cannot be played on the instrument."""


@dataclass(frozen=True, slots=True)
class PassageNote:
    """One note; ``string`` is the open string's MIDI number, ``finger`` 0 (open) to 4, if given."""

    midi: int
    string: int | None = None
    finger: int | None = None

    @property
    def open(self) -> bool:
        """Whether it is an open string: no finger places it."""
        return self.finger == OPEN

    def __str__(self) -> str:
        """Write it the way it is read."""
        if self.string is None:
            return note_name(self.midi)
        finger = "" if self.finger is None else str(self.finger)
        return f"{note_name(self.midi)}/{pitch_class_name(self.string)}{finger}"


@dataclass(frozen=True, slots=True)
class Passage:
    """Notes in the order in which they are played."""

    notes: tuple[PassageNote, ...]

    @property
    def placed(self) -> Counter[int]:
        """How often each note (MIDI) has to be placed; where all are open strings, all of them."""
        placed = Counter(note.midi for note in self.notes if not note.open)
        return placed or Counter(note.midi for note in self.notes)

    @property
    def left_out(self) -> tuple[PassageNote, ...]:
        """Open strings that :attr:`placed` does not count, each once, lowest first."""
        if all(note.open for note in self.notes):
            return ()
        return tuple(sorted({n for n in self.notes if n.open}, key=lambda n: n.midi))

    def __str__(self) -> str:
        """Write it the way it is read."""
        return " ".join(str(note) for note in self.notes)


def read_passage(text: str, instrument: Instrument) -> Passage:
    """Read notes with spaces or commas between them; empty text is an empty passage.

    Raises :class:`PassageError`, or NoteNameError for a name nobody can read.
    """
    words = text.replace(",", " ").split()
    if len(words) > LONGEST:
        raise PassageError(f"A passage has {LONGEST} notes at most: enter a shorter one.")
    return Passage(tuple(_note(word, instrument) for word in words))


def _note(word: str, instrument: Instrument) -> PassageNote:
    name, _, place = word.partition("/")
    midi = parse_note(name)
    if not instrument.lowest <= midi <= instrument.highest:
        raise PassageError(
            f"{note_name(midi)} is not on the {instrument.name}, which has "
            f"{note_name(instrument.lowest)} to {note_name(instrument.highest)}: check the notes."
        )
    if not place:
        return PassageNote(midi)
    string, finger = _place(word, place, instrument)
    _check_place(PassageNote(midi, string, finger))
    return PassageNote(midi, string, finger)


def _place(word: str, place: str, instrument: Instrument) -> tuple[int, int | None]:
    found = _PLACE.fullmatch(place)
    letters = {pitch_class_name(string): string for string in instrument.strings}
    if found is None or found[1].upper() not in letters:
        strings = ", ".join(letters) or "no strings"
        raise PassageError(
            f"{word[:40]!r} cannot be read: after the slash comes a string of the "
            f"{instrument.name} ({strings}) and a finger from 0 (open) to 4, such as /D2."
        )
    return letters[found[1].upper()], None if found[2] is None else int(found[2])


def _check_place(note: PassageNote) -> None:
    string = note.string
    if string is None:
        return
    if note.midi < string:
        raise PassageError(f"{note_name(note.midi)} lies below the {note_name(string)} string.")
    if note.open != (note.midi == string) and note.finger is not None:
        raise PassageError(f"{note}: finger 0 is the open string, and only that.")
