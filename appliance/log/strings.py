"""Open strings in the log: how far off they were tuned, and which notes may be one. Pure.

An open string has no landing: no finger placed it. From sound alone nobody can say for certain that
a string was open, so two things are told apart:

**Tuning.** Where the drone is the room's A, in any octave, a run of notes that all lie within half
a semitone of an open string, without vibrato or slide, is tuning: if it is the first thing played
over that drone, or if three strings are in it. The first note on a string says where it was found,
the last where it was left. Double stops belong to a run and measure nothing.

**May be open.** A note at an open string's pitch that shows no vibrato, no correction and no slide.
A string has one pitch for an evening, and a finger has not; so the string's pitch that evening is
where it was left by tuning, and where most such notes within 30 cents of its target lie together.
A finger that landed just there, without vibrato, cannot be told from it and is set apart, too.

Cents are counted from the string's target at the A4 of its sitting: pure fifths, on the double bass
pure fourths, from A4 (:func:`appliance.tuning.open_string_hz`); sharp is positive.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import partial
from itertools import chain

import numpy as np

from appliance.instruments import find_instrument
from appliance.log.columns import Flags, Floats, NoteColumns, Places, columns_of
from appliance.log.records import NoteRow, SittingRow
from appliance.log.tallies import FEW, middle
from appliance.tuning import (
    CALLED_FROM_CENTS,
    UNGRADED_CENTS,
    cents,
    note_name,
    open_string_hz,
)
from appliance.vocabulary import InstrumentError

TUNING_CENTS = 50.0  # farther off it is another note
STRAYS_CENTS = 30.0  # a string that nobody has tuned strays so far in a week; from memory
ONE_PITCH_CENTS = 5.0  # bow and warmth pull a string by a few cents; from memory
STRINGS_OF_A_TUNING = 3  # two open strings in turn may be music


class OpenMark(StrEnum):
    """What a note says of an open string."""

    TUNING = "tuning a string"
    MAY_BE_OPEN = "may be open"


@dataclass(frozen=True, slots=True)
class StringLine:
    """One open string in one sitting; cents from its target.

    ``found_cents`` and ``left_cents``: before and after tuning, ``None`` where it was not tuned to
    the drone. ``typical_cents`` is the median of the ``notes`` that may be this string,
    ``spread_cents`` the median distance from it; both ``None`` without such notes.
    """

    sitting: SittingRow
    midi: int
    found_cents: float | None
    left_cents: float | None
    notes: int
    typical_cents: float | None
    spread_cents: float | None

    @property
    def name(self) -> str:
        """Scientific pitch name of the string."""
        return note_name(self.midi)

    @property
    def few(self) -> bool:
        """Whether too few notes may be this string to say much."""
        return self.notes < FEW

    @property
    def off_cents(self) -> float | None:
        """How far off it was all evening; ``None`` where it was right, or too few notes tell."""
        typical, spread = self.typical_cents, self.spread_cents
        if self.few or typical is None or spread is None or spread > UNGRADED_CENTS:
            return None
        return typical if abs(typical) >= UNGRADED_CENTS else None


@dataclass(frozen=True, slots=True)
class OpenStrings:
    """What was read: a mark or ``None`` for every row given, and a line for every string heard."""

    marks: tuple[OpenMark | None, ...]
    lines: tuple[StringLine, ...]


@dataclass(frozen=True, slots=True)
class _Played:
    """The notes of one sitting that may say something of its strings.

    ``places`` are their places among all notes, ``off_cents`` a row for every note and a column
    for every string: not a number where the note shows no string.
    """

    places: Places
    off_cents: Floats
    over_a: Flags  # the drone that sounded was the room's A, in any octave
    measurable: Flags
    corrected: Flags  # a finger moved after it had landed: an open string's pitch stays

    def near(self, within_cents: float) -> Flags:
        """Tell for every note and string whether they are near each other."""
        return np.abs(self.off_cents) <= within_cents


def read_strings(rows: Sequence[NoteRow]) -> OpenStrings:
    """Mark the notes that may be open strings, and say how each string was, sitting by sitting.

    ``rows`` stand in the order in which they were played. Notes struck out or played in a pause
    say nothing of a string, and notes of a round were fingered.
    """
    found = [part.once("strings", partial(_read, part)) for part in columns_of(rows).parts]
    if len(found) == 1:
        return found[0]
    return OpenStrings(
        tuple(chain.from_iterable(one.marks for one in found)),
        tuple(chain.from_iterable(one.lines for one in found)),
    )


def _read(columns: NoteColumns) -> OpenStrings:
    marks: list[OpenMark | None] = [None] * len(columns)
    lines: list[StringLine] = []
    say = ~columns.struck & ~columns.paused & ~columns.in_round
    for sitting, places in columns.by_sitting(say):
        targets = _targets(sitting)
        if targets:
            played = _played(columns, places, list(targets.values()))
            lines += _read_sitting(sitting, list(targets), played, marks)
    return OpenStrings(tuple(marks), tuple(lines))


def _targets(sitting: SittingRow) -> dict[int, float]:
    """Where each open string is right (Hz); none for an instrument without strings."""
    try:
        instrument = find_instrument(sitting.instrument)
    except InstrumentError:  # a log of another Groundnote
        return {}
    return {
        string: open_string_hz(instrument, string, sitting.a4_hz) for string in instrument.strings
    }


def _played(columns: NoteColumns, places: Places, targets_hz: list[float]) -> _Played:
    settled_hz = columns.settled_hz[places]
    plain_hz = np.where(columns.vibrated[places] | columns.slid[places], np.nan, settled_hz)
    drone = cents(columns.drone_hz[places], columns.a4_hz[places]) / 100.0
    return _Played(
        places=places,
        off_cents=cents(plain_hz[:, None], np.array(targets_hz)),
        over_a=np.floor(drone + 0.5) % 12 == 0,
        measurable=columns.measurable[places],
        corrected=np.abs(cents(settled_hz, columns.landing_hz[places])) >= CALLED_FROM_CENTS,
    )


def _read_sitting(
    sitting: SittingRow, strings: list[int], played: _Played, marks: list[OpenMark | None]
) -> Iterator[StringLine]:
    """Mark the notes of a sitting, and yield a line for every string heard."""
    near = played.near(TUNING_CENTS)
    tuned = np.zeros(len(played.places), bool)
    for run in _runs(played, np.where(near.any(axis=1), near.argmax(axis=1), -1).tolist()):
        tuned[run] = True
    _mark(marks, played.places[tuned], OpenMark.TUNING)
    plain = played.near(STRAYS_CENTS) & ~(tuned | played.corrected)[:, None]
    for index, string in enumerate(strings):
        off = played.off_cents[:, index]
        tunings = off[tuned & near[:, index]].tolist()
        pitches = [*tunings[-1:], *_commonest(off[plain[:, index]])]
        may_be = plain[:, index] & _near_any(off, pitches)
        _mark(marks, played.places[may_be], OpenMark.MAY_BE_OPEN)
        if tunings or may_be.any():
            yield _line(sitting, string, tunings, off[may_be])


def _mark(marks: list[OpenMark | None], places: Places, mark: OpenMark) -> None:
    for place in places.tolist():
        marks[place] = mark


def _line(sitting: SittingRow, string: int, tunings: Sequence[float], plain: Floats) -> StringLine:
    typical = middle(plain) if plain.size else None
    return StringLine(
        sitting=sitting,
        midi=string,
        found_cents=tunings[0] if tunings else None,
        left_cents=tunings[-1] if tunings else None,
        notes=len(plain),
        typical_cents=typical,
        spread_cents=None if typical is None else middle(np.abs(plain - typical)),
    )


def _runs(played: _Played, string: list[int]) -> Iterator[list[int]]:
    """Yield the runs of notes that are tuning; each note is near a ``string``, or near none: -1."""
    run: list[int] = []
    first = new_drone = True  # whether the run, and whether the next note, is the first over an A
    notes = zip(played.over_a.tolist(), played.measurable.tolist(), strict=True)
    for index, (over_a, measurable) in enumerate(notes):
        if over_a and not measurable:
            continue  # two strings bowed together, or too short
        if over_a and string[index] >= 0:
            first = new_drone if not run else first
            run.append(index)
        elif run:
            yield from _tuning(run, string, first)
            run = []
        new_drone = not over_a
    yield from _tuning(run, string, first)


def _tuning(run: list[int], string: list[int], first: bool) -> Iterator[list[int]]:
    if first or len({string[index] for index in run}) >= STRINGS_OF_A_TUNING:
        yield run


def _commonest(off: Floats) -> list[float]:
    """Return the pitch about which most of the notes lie, the nearest to the target of equals."""
    ordered = np.sort(off)
    begins = np.searchsorted(ordered, ordered - ONE_PITCH_CENTS, "left")
    ends = np.searchsorted(ordered, ordered + ONE_PITCH_CENTS, "right")
    sizes = ends - begins
    most = np.flatnonzero(sizes == sizes.max(initial=0))
    pitches = [middle(ordered[begins[index] : ends[index]]) for index in most.tolist()]
    return sorted(pitches, key=lambda pitch: (-abs(pitch), pitch))[-1:]


def _near_any(off: Floats, pitches: Iterable[float]) -> Flags:
    near = np.zeros(len(off), bool)
    for pitch in pitches:
        near |= np.abs(off - pitch) <= ONE_PITCH_CENTS
    return near
