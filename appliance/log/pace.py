"""How fast a sitting was played, and how much of it was too short to hear a landing. Pure."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from appliance.log.columns import NoteColumns, Places, columns_of
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


def paces(rows: Sequence[NoteRow]) -> list[Pace]:
    """Return the pace of every sitting among some rows, in the order of their first notes.

    Notes of a pause and struck-out ones are nobody's playing.
    """
    return [
        _pace(sitting, part, places)
        for part in columns_of(rows).parts
        for sitting, places in part.by_sitting(~part.struck & ~part.paused)
    ]


def _pace(sitting: SittingRow, columns: NoteColumns, places: Places) -> Pace:
    start_s, end_s = columns.start_s[places], columns.end_s[places]  # on the monotonic clock
    gaps_s = start_s[1:] - end_s[:-1]
    played_on_s = gaps_s[(gaps_s > 0.0) & (gaps_s <= REST_S)]
    return Pace(
        sitting=sitting,
        notes=len(places),
        too_short=int(np.count_nonzero(~columns.measurable[places])),
        playing_s=float(np.sum(end_s - start_s) + np.sum(played_on_s)),
    )


def slow_enough(paces: Iterable[Pace]) -> str | None:
    """Return what to say of how fast was played; ``None`` where every landing could be heard."""
    every = list(paces)
    notes, too_short = sum(pace.notes for pace in every), sum(pace.too_short for pace in every)
    if not too_short:
        return None
    return f"{too_short} of {notes} notes were too short to hear a landing"
