"""One sitting as it went: notes, the drone they had, rounds and pauses, in time. Pure.

Seconds count from the sitting's start, on the monotonic clock while the boot is the same, so that
a wall clock set meanwhile moves nothing. The drone is known from the notes alone: each was logged
with the drone it was played over.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import groupby

from appliance.log.judging import Landing, Reading, judge_all
from appliance.log.kinds import Kind, kinds_of
from appliance.log.records import EventKind, EventRow, NoteRow, RoundRow, SittingRow
from appliance.log.strings import read_strings
from appliance.log.tries import TryLine, tries_of
from appliance.tuning import nearest_note
from appliance.vocabulary import Instant, Outcome


class Sounding(StrEnum):
    """How the drone was while a note was played."""

    ON = "on"
    WITHOUT = "without"  # faded out, targets as if it sounded
    SILENT = "silent"


@dataclass(frozen=True, slots=True)
class PlayedNote:
    """A note in its time; ``found`` is what its landing was, or why there is none."""

    begins_s: float
    ends_s: float
    row: NoteRow
    kind: Kind
    found: Landing | Outcome


@dataclass(frozen=True, slots=True)
class DroneSpan:
    """Notes one after the other over the same drone; ``midi`` is ``None`` where it was silent."""

    begins_s: float
    ends_s: float
    sounding: Sounding
    midi: int | None


@dataclass(frozen=True, slots=True)
class RoundSpan:
    """A round and its tries in their order."""

    begins_s: float
    ends_s: float
    played: RoundRow
    tries: tuple[TryLine, ...]


@dataclass(frozen=True, slots=True)
class PauseSpan:
    """A stretch in which the log was paused."""

    begins_s: float
    ends_s: float


@dataclass(frozen=True, slots=True)
class Timeline:
    """A sitting as it went; all lists in their order."""

    sitting: SittingRow
    notes: tuple[PlayedNote, ...]
    drones: tuple[DroneSpan, ...]
    rounds: tuple[RoundSpan, ...]
    pauses: tuple[PauseSpan, ...]

    @property
    def seconds(self) -> float:
        """How long it lasted, to the end of its last note."""
        return max((note.ends_s for note in self.notes), default=0.0)


def read_timeline(
    sitting: SittingRow,
    rows: Sequence[NoteRow],
    rounds: Iterable[RoundRow],
    events: Sequence[EventRow],
    reading: Reading,
) -> Timeline:
    """Lay out one sitting; ``rows``, ``rounds`` and ``events`` are its own, in their order."""
    kinds = kinds_of(rows, read_strings(rows).marks)
    heard = zip(rows, kinds, judge_all(rows, reading), strict=True)
    notes = tuple(_note(sitting, row, kind, found) for row, kind, found in heard)
    end_s = max((note.ends_s for note in notes), default=0.0)
    return Timeline(
        sitting=sitting,
        notes=notes,
        drones=tuple(_drones(notes)),
        rounds=tuple(_round(sitting, played, notes, events, end_s) for played in rounds),
        pauses=tuple(_pauses(sitting, events, end_s)),
    )


def _since_start(sitting: SittingRow, at: Instant) -> float:
    start = sitting.started_at
    if at.boot_id == start.boot_id:
        return max(0.0, at.monotonic_s - start.monotonic_s)
    return max(0.0, at.wall_s - start.wall_s)


def _note(sitting: SittingRow, row: NoteRow, kind: Kind, found: Landing | Outcome) -> PlayedNote:
    ends_s = _since_start(sitting, row.ended_at)
    begins_s = max(0.0, ends_s - (row.note.end_s - row.note.start_s))
    return PlayedNote(begins_s, ends_s, row, kind, found)


def _drones(notes: Iterable[PlayedNote]) -> Iterable[DroneSpan]:
    for (sounding, midi), group in groupby(notes, key=_drone_of):
        span = list(group)
        yield DroneSpan(span[0].begins_s, span[-1].ends_s, sounding, midi)


def _drone_of(note: PlayedNote) -> tuple[Sounding, int | None]:
    heard, a4_hz = note.row.note, note.row.sitting.a4_hz
    if note.row.marks.without:
        hz = heard.reference_hz
        return Sounding.WITHOUT, None if hz is None else nearest_note(hz, a4_hz)
    if heard.drone_hz is None:
        return Sounding.SILENT, None
    return Sounding.ON, nearest_note(heard.drone_hz, a4_hz)


def _round(
    sitting: SittingRow,
    played: RoundRow,
    notes: Sequence[PlayedNote],
    events: Iterable[EventRow],
    end_s: float,
) -> RoundSpan:
    """Lay out a round; it ends with the first end of a round after its begin."""
    begins_s = _since_start(sitting, played.began_at)
    ends = (_since_start(sitting, e.at) for e in events if e.kind is EventKind.ROUND_ENDED)
    ends_s = min((s for s in ends if s >= begins_s), default=end_s)
    tries = tries_of(played, [note.row for note in notes])
    return RoundSpan(begins_s, max(begins_s, ends_s), played, tuple(tries))


def _pauses(sitting: SittingRow, events: Iterable[EventRow], end_s: float) -> Iterable[PauseSpan]:
    began_s: float | None = None
    for event in events:
        at_s = _since_start(sitting, event.at)
        if event.kind is EventKind.PAUSED and began_s is None:
            began_s = at_s
        elif event.kind is EventKind.RESUMED and began_s is not None:
            yield PauseSpan(began_s, at_s)
            began_s = None
    if began_s is not None:
        yield PauseSpan(began_s, max(began_s, end_s))
