"""The log, read: notes, sittings, rounds, events; everybody's, or one player's and no other's."""

from collections.abc import Hashable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from appliance.log.columns import NoteColumns, NoteTable, columns_of_table
from appliance.log.logfile import LogFile
from appliance.log.records import (
    NUMBER_BITS,
    EventRow,
    RoundRow,
    SittingRow,
    event_row,
    parse_id,
    round_row,
    sitting_row,
)

# Of the file, while it is open; what is read here is read in order, and more made nothing faster.
CACHE_KB = 256
READ_AT_ONCE = 250  # notes, about 250 kB

# Where to look for a sitting's notes by the index over time; a clock that was set meanwhile moves
# them by less than an hour, or else they are dated anew.
_IN_SITTING = """note.ended_wall_s >= sitting.started_wall_s - 3600.0
  AND note.ended_wall_s <= coalesce(sitting.ended_wall_s, 1e12) + 3600.0"""


@dataclass(frozen=True, slots=True)
class SittingSums:
    """What of a sitting's notes in a span of time is something else once one of them has changed.

    ``first_wall_s`` and ``last_wall_s`` are when the earliest and the latest of them ended.
    """

    first_wall_s: float
    last_wall_s: float
    marks: Hashable


class LogReader(LogFile):
    """The reading side: opens without writing, and only an existing log.

    Opened for one ``player`` (a person's id) it gives nothing of anybody else, whatever is asked;
    with ``None`` everything of everybody.

    Raises :class:`NoLogYetError` where there is no file or an empty one, and
    :class:`LogbookError` where the file is no log of ours or a newer one.
    """

    _player: str | None = None

    def __init__(self, path: str | Path, player: str | None = None) -> None:
        """Open the log at ``path`` for reading only."""
        self._path = Path(path)
        self._player = player
        with self._explained("opened"):
            begun = self._path.exists() and self._path.stat().st_size > 0
        if not begun:
            raise self._nothing_yet()
        self._open("ro")
        with self._explained("opened"):
            self._db.execute(f"PRAGMA cache_size = -{CACHE_KB}")

    def notes(
        self, start_wall_s: float, end_wall_s: float, player: str | None = None
    ) -> NoteColumns:
        """Notes that ended from ``start_wall_s`` up to but not at ``end_wall_s``, in that order.

        ``player=None`` means everybody in the room.
        """
        player, where = self._whose(player)
        return self._notes(
            f"note.ended_wall_s >= :start AND note.ended_wall_s < :end {where}",
            {"start": start_wall_s, "end": end_wall_s, "player": player},
        )

    def _whose(self, player: str | None) -> tuple[str | None, str]:
        """Whose rows may be read, and the condition on ``sitting`` that says so."""
        player = player if self._player is None else self._player
        return player, "" if player is None else "AND sitting.player = :player"

    def _notes(self, where: str, values: dict[str, Any]) -> NoteColumns:
        with self._lock, self._explained("read"):
            found = self._db.execute(
                f"""SELECT note.*, (SELECT verdict FROM call WHERE note_id = note.id
                     ORDER BY call.id DESC LIMIT 1) AS verdict
                   FROM note JOIN sitting ON sitting.id = note.sitting_id
                   WHERE {where} ORDER BY note.ended_wall_s, note.id""",
                values,
            )
            names = [column[0] for column in found.description]
            table = NoteTable(names, iter(lambda: found.fetchmany(READ_AT_ONCE), []))
        return columns_of_table(table, {key: self._sitting(key) for key in table.sitting_keys})

    def sums(self, start_wall_s: float, end_wall_s: float) -> list[SittingSums]:
        """What is to be known of the notes of :meth:`notes`, sitting by sitting, to tell a change.

        A note's facts never change once it is written; whether it counts, whose it is, when it was
        and what it was called may.
        """
        player, where = self._whose(None)
        values = {"start": start_wall_s, "end": end_wall_s, "player": player}
        number = f"{2**NUMBER_BITS - 1}"  # without the room: a sum of whole ids is too large
        # Calls are looked for once a sitting, among all notes from its first to its last: where
        # rooms have been merged or clocks were wrong some may be another sitting's.
        rows = self._rows(
            f"""SELECT one.*, sitting.player, sitting.started_wall_s AS began,
                 sitting.ended_wall_s AS over,
                 (SELECT total(call.id & {number}) FROM call
                  WHERE note_id BETWEEN one.first_id AND one.last_id) AS called
               FROM (SELECT sitting_id, min(ended_wall_s) AS first, max(ended_wall_s) AS last,
                      min(id) AS first_id, max(id) AS last_id, count(*) AS notes,
                      sum(id & {number}) AS ids, sum(struck) AS struck,
                      sum(synchronised) AS dated, total(ended_wall_s) AS ended
                    FROM note WHERE ended_wall_s >= :start AND ended_wall_s < :end
                    GROUP BY sitting_id) AS one
               JOIN sitting ON sitting.id = one.sitting_id WHERE true {where}""",
            values,
        )
        found = [SittingSums(row["first"], row["last"], tuple(row.values())) for row in rows]
        return sorted(found, key=lambda one: (one.first_wall_s, one.last_wall_s))

    @contextmanager
    def one_moment(self) -> Iterator[None]:
        """Read the log inside as it stands at one moment, whatever is written meanwhile."""
        with self._lock:
            with self._explained("read"):
                self._db.execute("BEGIN")
            try:
                yield
            finally:
                with self._explained("read"):
                    self._db.execute("ROLLBACK")

    def commits_of_others(self) -> int:
        """Return a number that changes whenever another connection has written to the log."""
        with self._lock, self._explained("read"):
            return self._pragma("data_version")

    def sittings(
        self, before_wall_s: float, limit: int, player: str | None = None
    ) -> list[tuple[SittingRow, int]]:
        """Sittings begun before a moment, the latest first, each with how many notes it has.

        ``player=None`` means everybody in the room.
        """
        player, where = self._whose(player)
        rows = self._rows(
            f"""SELECT sitting.*, room.name AS room,
                 (SELECT count(*) FROM note WHERE sitting_id = sitting.id AND {_IN_SITTING})
                 AS notes
               FROM sitting JOIN room ON room.id = sitting.room_id
               WHERE sitting.started_wall_s < :before {where}
               ORDER BY sitting.started_wall_s DESC, sitting.id DESC LIMIT :limit""",
            {"before": before_wall_s, "limit": limit, "player": player},
        )
        return [(sitting_row(row), row["notes"]) for row in rows]

    def sitting(self, sitting_id: str) -> SittingRow | None:
        """One sitting, if there is one of this id."""
        key = parse_id(sitting_id)
        player, where = self._whose(None)
        found = self._rows(
            f"SELECT 1 FROM sitting WHERE id = :id {where}", {"id": key, "player": player}
        )
        return self._sitting(key) if found else None

    def notes_of(self, sitting_id: str) -> NoteColumns:
        """Notes of one sitting, in the order in which they ended."""
        player, mine = self._whose(None)
        where = f"note.sitting_id = :sitting AND sitting.id = :sitting AND {_IN_SITTING} {mine}"
        return self._notes(where, {"sitting": parse_id(sitting_id), "player": player})

    def rounds_of(self, sitting_id: str) -> list[RoundRow]:
        """Rounds of one sitting, in their order."""
        return [round_row(row) for row in self._of_sitting("round", sitting_id)]

    def events_of(self, sitting_id: str) -> list[EventRow]:
        """What else happened in one sitting, in order."""
        return [event_row(row) for row in self._of_sitting("event", sitting_id)]

    def _of_sitting(self, table: str, sitting_id: str) -> list[dict[str, Any]]:
        if self._pragma("user_version") < 2:  # an older log that its room has not opened yet
            return []
        player, where = self._whose(None)
        return self._rows(
            f"""SELECT {table}.* FROM {table} JOIN sitting ON sitting.id = {table}.sitting_id
                WHERE sitting_id = :sitting {where} ORDER BY wall_s, {table}.id""",
            {"sitting": parse_id(sitting_id), "player": player},
        )

    def rounds(self, start_wall_s: float, end_wall_s: float) -> list[RoundRow]:
        """Rounds begun from ``start_wall_s`` up to but not at ``end_wall_s``, in that order."""
        if self._pragma("user_version") < 2:  # an older log that its room has not opened yet
            return []
        rows = self._between("round", start_wall_s, end_wall_s)
        return [round_row(row) for row in rows]

    def events(self, start_wall_s: float, end_wall_s: float) -> list[EventRow]:
        """What else happened from ``start_wall_s`` up to but not at ``end_wall_s``, in order."""
        if self._pragma("user_version") < 2:  # as above
            return []
        rows = self._between("event", start_wall_s, end_wall_s)
        return [event_row(row) for row in rows]

    def _between(self, table: str, start_wall_s: float, end_wall_s: float) -> list[dict[str, Any]]:
        """Rows of a table that belong to sittings; those between sittings are nobody's."""
        player, where = self._whose(None)
        return self._rows(
            f"""SELECT {table}.* FROM {table} LEFT JOIN sitting ON sitting.id = sitting_id
                WHERE wall_s >= :start AND wall_s < :end {where} ORDER BY wall_s, {table}.id""",
            {"start": start_wall_s, "end": end_wall_s, "player": player},
        )

    def span(self) -> tuple[float, float] | None:
        """Wall times of the first and the last note in the log; ``None`` when it has none.

        Of one player: when the first sitting began and the last note of the last one with notes.
        """
        if self._player is not None:
            return self._span_of(self._player)
        (row,) = self._rows(
            """SELECT (SELECT min(ended_wall_s) FROM note) AS first,
                      (SELECT max(ended_wall_s) FROM note) AS last""",
            {},
        )
        return None if row["first"] is None else (row["first"], row["last"])

    def _span_of(self, player: str) -> tuple[float, float] | None:
        values: dict[str, Any] = {"player": player}
        rows = self._rows(
            """SELECT min(started_wall_s) AS first, max(started_wall_s) AS last FROM sitting
               WHERE player = :player""",
            values,
        )
        if rows[0]["first"] is None:
            return None
        last = self._rows(
            f"""SELECT max(note.ended_wall_s) AS last FROM sitting JOIN note
                ON note.sitting_id = sitting.id AND {_IN_SITTING}
                WHERE sitting.player = :player AND sitting.started_wall_s = :last""",
            values | {"last": rows[0]["last"]},
        )
        return rows[0]["first"], last[0]["last"] or rows[0]["last"]

    def _sitting(self, key: int) -> SittingRow:
        (row,) = self._rows(
            """SELECT sitting.*, room.name AS room FROM sitting
               JOIN room ON room.id = sitting.room_id WHERE sitting.id = :id""",
            {"id": key},
        )
        return sitting_row(row)
