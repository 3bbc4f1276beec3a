"""One sitting as it went: notes, the drone they had, rounds and pauses, in time. Pure.

Seconds count from the sitting's start, on the monotonic clock while the boot is the same, so that
a wall clock set meanwhile moves nothing. The drone is known from the notes alone: each was logged
with the drone it was played over.
"""

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import groupby

import numpy as np

from appliance.log.columns import NoteColumns, columns_of
from appliance.log.judging import Landing, Reading, judge_all
from appliance.log.kinds import Kind, kinds_of
from appliance.log.records import EventKind, EventRow, NoteRow, RoundRow, SittingRow
from appliance.log.strings import read_strings
from appliance.log.tries import TryLine, tries_of
from appliance.tuning import nearest_note
from appliance.vocabulary import Call, Instant, Outcome


class Sounding(StrEnum):
    """How the drone was while a note was played."""

    ON = "on"
    WITHOUT = "without"  # faded out, targets as if it sounded
    SILENT = "silent"


@dataclass(frozen=True, slots=True)
class PlayedNote:
    """A note in its time; ``found`` is what its landing was, or why there is none.

    ``drone``: how the drone was, and on which note (MIDI); ``settled_hz`` is ``None`` without a
    pitch.
    """

    begins_s: float
    ends_s: float
    settled_hz: float | None
    drone: tuple[Sounding, int | None]
    call: Call | None
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
    notes = tuple(_notes(sitting, columns_of(rows), reading))
    end_s = max((note.ends_s for note in notes), default=0.0)
    return Timeline(
        sitting=sitting,
        notes=notes,
        drones=tuple(_drones(notes)),
        rounds=tuple(_round(sitting, played, rows, events, end_s) for played in rounds),
        pauses=tuple(_pauses(sitting, events, end_s)),
    )


def _since_start(sitting: SittingRow, at: Instant) -> float:
    start = sitting.started_at
    if at.boot_id == start.boot_id:
        return max(0.0, at.monotonic_s - start.monotonic_s)
    return max(0.0, at.wall_s - start.wall_s)


def _notes(sitting: SittingRow, columns: NoteColumns, reading: Reading) -> Iterator[PlayedNote]:
    ends = _ends(sitting, columns)
    begins = [max(0.0, s) for s in (np.array(ends) - columns.end_s + columns.start_s).tolist()]
    return map(
        PlayedNote,
        begins,
        ends,
        [None if math.isnan(hz) else hz for hz in columns.settled_hz.tolist()],
        _drones_of(columns),
        columns.calls,
        kinds_of(columns, read_strings(columns).marks),
        judge_all(columns, reading),
    )


def _ends(sitting: SittingRow, columns: NoteColumns) -> list[float]:
    """When each note ended, as :func:`_since_start` counts."""
    start = sitting.started_at
    on_this_boot = columns.end_s - start.monotonic_s
    ends = np.where(columns.own_boot, on_this_boot, columns.ended_wall_s - start.wall_s)
    seconds: list[float] = np.maximum(0.0, ends).tolist()
    return seconds


def _drones_of(columns: NoteColumns) -> list[tuple[Sounding, int | None]]:
    """How the drone was for each note; a pitch is looked up once."""
    hz = np.where(columns.without, columns.reference_hz, columns.drone_hz)
    keys = list(zip(columns.without.tolist(), np.nan_to_num(hz).tolist(), strict=True))
    a4_hz = float(columns.a4_hz[0]) if len(columns) else 0.0  # one sitting has one
    known = {key: _drone_of(*key, a4_hz) for key in set(keys)}
    return [known[key] for key in keys]


def _drone_of(without: bool, hz: float, a4_hz: float) -> tuple[Sounding, int | None]:
    """Say how the drone was; 0 Hz is none."""
    midi = nearest_note(hz, a4_hz) if hz else None
    if without:
        return Sounding.WITHOUT, midi
    return (Sounding.SILENT if midi is None else Sounding.ON), midi


def _drones(notes: Iterable[PlayedNote]) -> Iterable[DroneSpan]:
    for (sounding, midi), group in groupby(notes, key=lambda note: note.drone):
        span = list(group)
        yield DroneSpan(span[0].begins_s, span[-1].ends_s, sounding, midi)


def _round(
    sitting: SittingRow,
    played: RoundRow,
    rows: Sequence[NoteRow],
    events: Iterable[EventRow],
    end_s: float,
) -> RoundSpan:
    """Lay out a round; it ends with the first end of a round after its begin."""
    begins_s = _since_start(sitting, played.began_at)
    ends = (_since_start(sitting, e.at) for e in events if e.kind is EventKind.ROUND_ENDED)
    ends_s = min((s for s in ends if s >= begins_s), default=end_s)
    tries = tries_of(played, rows)
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
