"""A passage as somebody writes it: notes, each with its string and finger where they are given.

``E3`` is a note, ``E3/D`` the same on the D string, ``E3/D1`` with the first finger there, and
``D3/D0`` the open string. Notes and strings have the names of a page where one is given. Pure.
"""

import re
from collections import Counter
from dataclasses import dataclass

from appliance.instruments import Instrument
from appliance.notation import Naming, plain
from appliance.vocabulary import GroundnoteError

LONGEST = 100  # notes; ranking drones takes no order, and a longer passage says nothing new
FINGERS = (1, 2, 3, 4)
OPEN = 0

_AS_LOGGED = Naming()
_PLACE = re.compile(r"(\D+)([0-4])?", re.ASCII)


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

    def written(self, naming: Naming) -> str:
        """Write it the way it is read."""
        if self.string is None:
            return naming.note(self.midi)
        finger = "" if self.finger is None else str(self.finger)
        return f"{naming.note(self.midi)}/{naming.pitch_class(self.string % 12)}{finger}"

    def __str__(self) -> str:
        """Write it with the names of the log."""
        return self.written(_AS_LOGGED)


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

    def written(self, naming: Naming) -> str:
        """Write it the way it is read."""
        return " ".join(note.written(naming) for note in self.notes)

    def __str__(self) -> str:
        """Write it with the names of the log."""
        return self.written(_AS_LOGGED)


def read_passage(text: str, instrument: Instrument, naming: Naming = _AS_LOGGED) -> Passage:
    """Read notes with spaces or commas between them; empty text is an empty passage.

    ``naming``: how they are named; without it as in the log.

    Raises :class:`PassageError`, or NoteNameError for a name nobody can read.
    """
    words = text.replace(",", " ").split()
    if len(words) > LONGEST:
        raise PassageError(f"A passage has {LONGEST} notes at most: enter a shorter one.")
    return Passage(tuple(_note(word, instrument, naming) for word in words))


def _note(word: str, instrument: Instrument, naming: Naming) -> PassageNote:
    name, _, place = word.partition("/")
    midi = naming.read(name)
    if not instrument.lowest <= midi <= instrument.highest:
        raise PassageError(
            f"{naming.note(midi)} is not on the {instrument.name}, which has "
            f"{naming.note(instrument.lowest)} to {naming.note(instrument.highest)}: check the "
            "notes."
        )
    if not place:
        return PassageNote(midi)
    string, finger = _place(word, place, instrument, naming)
    _check_place(PassageNote(midi, string, finger), naming)
    return PassageNote(midi, string, finger)


def _place(word: str, place: str, instrument: Instrument, naming: Naming) -> tuple[int, int | None]:
    found = _PLACE.fullmatch(place)
    names = {string: naming.pitch_class(string % 12) for string in instrument.strings}
    letters = {plain(name): string for string, name in names.items()}
    if found is None or plain(found[1]) not in letters:
        strings = ", ".join(names.values()) or "no strings"
        such = f"/{next(iter(names.values()), 'D')}2"
        raise PassageError(
            f"{word[:40]!r} cannot be read: after the slash comes a string of the "
            f"{instrument.name} ({strings}) and a finger from 0 (open) to 4, such as {such}."
        )
    return letters[plain(found[1])], None if found[2] is None else int(found[2])


def _check_place(note: PassageNote, naming: Naming) -> None:
    string = note.string
    if string is None:
        return
    if note.midi < string:
        raise PassageError(f"{naming.note(note.midi)} lies below the {naming.note(string)} string.")
    if note.open != (note.midi == string) and note.finger is not None:
        raise PassageError(f"{note.written(naming)}: finger 0 is the open string, and only that.")
