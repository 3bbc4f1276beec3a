"""How fast a sitting was played, and how much of it was too short to hear a landing. Pure."""

import itertools
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass

from appliance.log.records import NoteRow, SittingRow

# A longer silence is no playing: turning a page, tuning, talking. A call and its answer take less.
REST_S = 10.0


@dataclass(frozen=True, slots=True)
class Pace:
    """One sitting: its notes, those too short to measure, and how long was really played."""

    sitting: SittingRow
    notes: int
    too_short: int
    playing_s: float

    @property
    def notes_a_minute(self) -> float | None:
        """Notes a minute of playing; ``None`` where nothing was played for any time."""
        return 60.0 * self.notes / self.playing_s if self.playing_s > 0.0 else None


def paces(rows: Iterable[NoteRow]) -> list[Pace]:
    """Return the pace of every sitting among some rows, in the order of their first notes.

    Notes of a pause and struck-out ones are nobody's playing.
    """
    sittings: dict[str, list[NoteRow]] = defaultdict(list)
    for row in rows:
        if not row.struck and not row.marks.paused:
            sittings[row.sitting.sitting_id].append(row)
    return [_pace(played) for played in sittings.values()]


def _pace(rows: list[NoteRow]) -> Pace:
    notes = [row.note for row in rows]  # their times are on the monotonic clock
    sounding_s = sum(note.end_s - note.start_s for note in notes)
    gaps_s = (after.start_s - before.end_s for before, after in itertools.pairwise(notes))
    return Pace(
        sitting=rows[0].sitting,
        notes=len(rows),
        too_short=sum(not note.measurable for note in notes),
        playing_s=sounding_s + sum(gap_s for gap_s in gaps_s if 0.0 < gap_s <= REST_S),
    )


def slow_enough(paces: Iterable[Pace]) -> str | None:
    """Return what to say of how fast was played; ``None`` where every landing could be heard."""
    every = list(paces)
    notes, too_short = sum(pace.notes for pace in every), sum(pace.too_short for pace in every)
    if not too_short:
        return None
    return f"{too_short} of {notes} notes were too short to hear a landing"
