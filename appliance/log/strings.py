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

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from statistics import median

from appliance.instruments import find_instrument
from appliance.log.records import NoteRow, SittingRow
from appliance.log.tallies import FEW
from appliance.tuning import (
    A4_MIDI,
    CALLED_FROM_CENTS,
    UNGRADED_CENTS,
    cents,
    nearest_note,
    note_name,
    open_string_hz,
)
from appliance.vocabulary import Arrival, HeardNote, InstrumentError

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
class _Bowed:
    """A note near an open string: its place among the rows, the string, and how far off."""

    index: int
    string: int
    cents: float


def read_strings(rows: Sequence[NoteRow]) -> OpenStrings:
    """Mark the notes that may be open strings, and say how each string was, sitting by sitting.

    ``rows`` stand in the order in which they were played. Notes struck out or played in a pause
    say nothing of a string, and notes of a round were fingered.
    """
    marks: dict[int, OpenMark] = {}
    lines: list[StringLine] = []
    sittings: dict[SittingRow, list[int]] = defaultdict(list)
    for index, row in enumerate(rows):
        if not row.struck and not row.marks.paused and not row.marks.in_round:
            sittings[row.sitting].append(index)
    for sitting, played in sittings.items():
        targets = _targets(sitting)
        if targets:
            _read_sitting(sitting, targets, {index: rows[index] for index in played}, marks, lines)
    return OpenStrings(tuple(marks.get(index) for index in range(len(rows))), tuple(lines))


def _targets(sitting: SittingRow) -> dict[int, float]:
    """Where each open string is right (Hz); none for an instrument without strings."""
    try:
        instrument = find_instrument(sitting.instrument)
    except InstrumentError:  # a log of another Groundnote
        return {}
    return {
        string: open_string_hz(instrument, string, sitting.a4_hz) for string in instrument.strings
    }


def _read_sitting(
    sitting: SittingRow,
    targets: dict[int, float],
    rows: dict[int, NoteRow],
    marks: dict[int, OpenMark],
    lines: list[StringLine],
) -> None:
    tuned = [bowed for run in _runs(rows, targets) for bowed in run]
    marks.update((bowed.index, OpenMark.TUNING) for bowed in tuned)
    candidates = [
        bowed
        for index, row in rows.items()
        if index not in marks and not _corrected(row.note)
        for bowed in _bowed(index, row.note, targets, STRAYS_CENTS)
    ]
    for string in targets:
        tunings = [bowed.cents for bowed in tuned if bowed.string == string]
        plain = [bowed for bowed in candidates if bowed.string == string]
        pitches = [*tunings[-1:], *_commonest([bowed.cents for bowed in plain])]
        may_be = [bowed for bowed in plain if _near_any(bowed.cents, pitches)]
        marks.update((bowed.index, OpenMark.MAY_BE_OPEN) for bowed in may_be)
        if tunings or may_be:
            lines.append(_line(sitting, string, tunings, [bowed.cents for bowed in may_be]))


def _line(
    sitting: SittingRow, string: int, tunings: Sequence[float], plain: Sequence[float]
) -> StringLine:
    typical = median(plain) if plain else None
    return StringLine(
        sitting=sitting,
        midi=string,
        found_cents=tunings[0] if tunings else None,
        left_cents=tunings[-1] if tunings else None,
        notes=len(plain),
        typical_cents=typical,
        spread_cents=None if typical is None else median(abs(off - typical) for off in plain),
    )


def _bowed(
    index: int, note: HeardNote, targets: dict[int, float], within_cents: float
) -> Iterator[_Bowed]:
    """Yield the string that a note may be, by its settled pitch, if it may be one."""
    if note.settled_hz is None or note.vibrato is not None or note.arrival is Arrival.SLIDE:
        return
    for string, hz in targets.items():
        if abs(off := cents(note.settled_hz, hz)) <= within_cents:
            yield _Bowed(index, string, off)


def _corrected(note: HeardNote) -> bool:
    """Tell whether a finger moved after it had landed: an open string's pitch stays."""
    if note.landing_hz is None or note.settled_hz is None:
        return False
    return abs(cents(note.settled_hz, note.landing_hz)) >= CALLED_FROM_CENTS


def _runs(rows: dict[int, NoteRow], targets: dict[int, float]) -> Iterator[list[_Bowed]]:
    """Yield the runs of notes that are tuning."""
    run: list[_Bowed] = []
    first = new_drone = True  # whether the run, and whether the next note, is the first over an A
    for index, row in rows.items():
        over_a = _over_a(row)
        if over_a and not row.note.measurable:
            continue  # two strings bowed together, or too short
        bowed = list(_bowed(index, row.note, targets, TUNING_CENTS)) if over_a else []
        if bowed:
            first = new_drone if not run else first
            run += bowed
        elif run:
            yield from _tuning(run, first)
            run = []
        new_drone = not over_a
    yield from _tuning(run, first)


def _tuning(run: list[_Bowed], first: bool) -> Iterator[list[_Bowed]]:
    if first or len({bowed.string for bowed in run}) >= STRINGS_OF_A_TUNING:
        yield run


def _over_a(row: NoteRow) -> bool:
    """Tell whether the drone that sounded was the room's A, in any octave."""
    drone_hz = row.note.drone_hz
    return drone_hz is not None and nearest_note(drone_hz, row.sitting.a4_hz) % 12 == A4_MIDI % 12


def _commonest(offs: Sequence[float]) -> list[float]:
    """Return the pitch about which most of the notes lie, the nearest to the target of equals."""
    groups = [[other for other in offs if abs(other - off) <= ONE_PITCH_CENTS] for off in offs]
    ranked = sorted((len(group), -abs(median(group)), median(group)) for group in groups)
    return [pitch for _, _, pitch in ranked[-1:]]


def _near_any(off: float, pitches: Iterable[float]) -> bool:
    return any(abs(off - pitch) <= ONE_PITCH_CENTS for pitch in pitches)
