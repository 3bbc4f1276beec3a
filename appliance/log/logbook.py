"""The log on disk: append, read. The only importer of sqlite-utils.

Only physical facts are kept (Hz, seconds, decibels); cents against a target are computed when
somebody reads.
"""

import secrets
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path
from threading import RLock
from typing import Any, Self
from urllib.parse import quote

from sqlite_utils import Database

from appliance.log.columns import NoteColumns, NoteTable, columns_of_table
from appliance.log.dating import DATE_LATER, DATE_UNDATED
from appliance.log.records import (
    NUMBER_BITS,
    TAKEN_BACK,
    UNMARKED,
    EventKind,
    EventRow,
    Marks,
    RoundGoal,
    RoundRow,
    SittingRow,
    event_row,
    id_text,
    instant,
    instant_columns,
    note_facts,
    parse_id,
    round_row,
    row_key,
    sitting_row,
)
from appliance.log.schema import APPLICATION_ID, SCHEMA_VERSION, statements
from appliance.vocabulary import Call, HeardNote, Instant, LogbookError

BUSY_TIMEOUT_S = 5.0
READ_AT_ONCE = 1000  # notes, about 1 MB

# Where to look for a sitting's notes by the index over time; a clock that was set meanwhile moves
# them by less than an hour, or else they are dated anew.
_IN_SITTING = """note.ended_wall_s >= sitting.started_wall_s - 3600.0
  AND note.ended_wall_s <= coalesce(sitting.ended_wall_s, 1e12) + 3600.0"""


class NoLogYetError(LogbookError):
    """There is no log at this path yet."""


class DamagedLogError(LogbookError):
    """What is at the log's place is no database any more, or one with holes in it."""


class RefusedEntryError(LogbookError):
    """The log's own rules refuse this entry: trying again is of no use."""


class LogReader:
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
        self._open(f"file:{quote(str(self._path.absolute()))}?mode=ro")

    def _open(self, uri: str) -> None:
        self._lock = RLock()
        with self._explained("opened"):
            connection = sqlite3.connect(
                uri, uri=True, timeout=BUSY_TIMEOUT_S, check_same_thread=False
            )
        self._db = Database(connection, execute_plugins=False)
        try:
            with self._explained("opened"):
                self._check_schema()
        except LogbookError:
            self._db.close()
            raise

    def _check_schema(self) -> None:
        version = self._pragma("user_version")
        if self._pragma("application_id") != APPLICATION_ID:
            if version or self._db.table_names():
                raise LogbookError(
                    f"{self._path} is not a Groundnote log and was left as it is: "
                    "name another file for the log."
                )
            self._meet_empty()
        elif version > SCHEMA_VERSION:
            raise LogbookError(
                f"The log {self._path} was written by a newer Groundnote (log version {version}, "
                f"this one knows {SCHEMA_VERSION}) and was left as it is: update Groundnote."
            )
        elif version < SCHEMA_VERSION:
            self._meet_older()

    def _meet_empty(self) -> None:
        raise self._nothing_yet()

    def _meet_older(self) -> None:
        """What an older log lacks is read as not having been."""

    def _nothing_yet(self) -> NoLogYetError:
        return NoLogYetError(f"There is no log at {self._path} yet: start the room and play.")

    def _pragma(self, name: str) -> int:
        return int(self._db.execute(f"PRAGMA {name}").fetchone()[0])

    @contextmanager
    def _explained(self, done: str) -> Iterator[None]:
        try:
            yield
        except sqlite3.IntegrityError as error:
            raise RefusedEntryError(
                f"An entry does not fit the log {self._path} ({error}) and was left out: please "
                "report it."
            ) from error
        except (sqlite3.Error, OSError) as error:
            code = getattr(error, "sqlite_errorcode", 0) & 0xFF  # without its extension
            if code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
                raise self._damaged(str(error)) from error
            raise LogbookError(
                f"The log {self._path} cannot be {done} ({error}): check the file, its permissions "
                "and the free space; nothing in it was overwritten."
            ) from error

    def _damaged(self, what: str) -> DamagedLogError:
        return DamagedLogError(
            f"The log {self._path} is damaged ({what}) and was left as it is: bring back its last "
            "backup with 'groundnote restore'."
        )

    def check_sound(self) -> None:
        """Read the whole log and compare its parts; raises :class:`DamagedLogError`.

        A million notes (160 MB) took a server 1 s of its processor; a card takes longer to read.
        """
        (row,) = self._rows("PRAGMA integrity_check(1)", {})
        if row["integrity_check"] != "ok":
            raise self._damaged(" ".join(str(row["integrity_check"]).split()))

    def close(self) -> None:
        """Close the file."""
        with self._lock:
            self._db.close()

    def __enter__(self) -> Self:
        """Enter a ``with`` block."""
        return self

    def __exit__(self, *_: object) -> None:
        """Close at the end of a ``with`` block."""
        self.close()

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

    def sums(self, start_wall_s: float, end_wall_s: float) -> tuple[object, ...]:
        """Return what comes out differently once a note of :meth:`notes` has changed.

        A note's facts never change once it is written; whether it counts, whose it is, when it was
        and what it was called may.
        """
        player, where = self._whose(None)
        span = f"note.ended_wall_s >= :start AND note.ended_wall_s < :end {where}"
        values = {"start": start_wall_s, "end": end_wall_s, "player": player}
        number = f"{2**NUMBER_BITS - 1}"  # without the room: a sum of whole ids is too large
        notes = self._rows(
            f"""SELECT count(*), sum(note.id & {number}), sum(sitting.id & {number}),
                 sum(note.struck), total(note.ended_wall_s), total(sitting.ended_wall_s),
                 group_concat(DISTINCT sitting.player)
               FROM note JOIN sitting ON sitting.id = note.sitting_id WHERE {span}""",
            values,
        )
        calls = self._rows(
            f"""SELECT count(*), sum(call.id & {number})
               FROM note JOIN sitting ON sitting.id = note.sitting_id
               CROSS JOIN call ON call.note_id = note.id WHERE {span}""",
            values,
        )
        return *notes[0].values(), *calls[0].values()

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

    def _rows(self, sql: str, values: dict[str, Any]) -> list[dict[str, Any]]:
        with self._lock, self._explained("read"):
            return list(self._db.query(sql, values))


class RoomLog(LogReader):
    """A log that is written to, on behalf of one room; a missing file is created.

    Write-ahead log with ``synchronous = FULL``: whatever a method has returned from survives a
    power cut. A write that fails raises :class:`LogbookError` and leaves nothing half done, so it
    can be tried again. Several processes may write; each waits for the other.
    """

    def __init__(self, path: str | Path, room: str) -> None:
        """Open the log at ``path`` for the room named ``room``."""
        self._path = Path(path)
        self._open(f"file:{quote(str(self._path.absolute()))}?mode=rwc")
        try:
            with self._explained("opened"):
                self._db.enable_wal()
                self._db.execute("PRAGMA synchronous = FULL")
                self._db.execute("PRAGMA foreign_keys = ON")
                self._room_id = self._find_room(room)
        except LogbookError:
            self._db.close()
            raise

    def _meet_empty(self) -> None:
        self._bring_up_to_date()

    def _meet_older(self) -> None:
        self._bring_up_to_date()

    def _bring_up_to_date(self) -> None:
        """Take the steps of the schema that this log lacks: all of them, or none."""
        self._db.execute("BEGIN IMMEDIATE")
        try:
            for statement in statements(self._pragma("user_version")):
                self._db.execute(statement)
        except sqlite3.Error:
            self._db.execute("ROLLBACK")
            raise
        self._db.execute("COMMIT")

    def _find_room(self, name: str) -> int:
        with self._db.atomic():
            new_id = secrets.randbelow(2**31 - 1) + 1
            self._db.execute(
                "INSERT INTO room (id, name, last_number) VALUES (?, ?, 0) "
                "ON CONFLICT (name) DO NOTHING",
                [new_id, name],
            )
            found = self._db.execute("SELECT id FROM room WHERE name = ?", [name]).fetchone()
        return int(found[0])

    def _append(self, table: str, record: dict[str, Any]) -> str:
        with self._lock, self._explained("written"), self._db.atomic():
            number = self._db.execute(
                "UPDATE room SET last_number = last_number + 1 WHERE id = ? RETURNING last_number",
                [self._room_id],
            ).fetchall()[0][0]
            key = row_key(self._room_id, int(number))
            self._db.table(table).insert({"id": key, **record})
        return id_text(key)

    def _do(self, sql: str, values: dict[str, Any]) -> int:
        """Run one statement; return how many rows it changed."""
        with self._lock, self._explained("written"):
            return int(self._db.execute(sql, values).rowcount)

    def _change(self, sql: str, row_id: str, values: dict[str, Any]) -> None:
        if not self._do(sql, {"id": parse_id(row_id), **values}):
            raise RefusedEntryError(f"There is no row {row_id} in {self._path} to change.")


class Logbook(RoomLog):
    """What the room itself writes: held by the daemon's writer thread, one per room.

    ``set_aside`` is the file of a damaged log whose place this one has just taken, ``notice`` a
    sentence that somebody should read some time (see :mod:`appliance.log.keeping`).
    """

    set_aside: str | None = None
    notice: str | None = None

    def abandon(self) -> None:
        """Close after a failure; the log may not be in order."""
        self.close()

    def begin_sitting(
        self, at: Instant, *, instrument: str, a4_hz: float, player: str | None = None
    ) -> str:
        """Begin a sitting and return its id."""
        return self._append(
            "sitting",
            {
                "room_id": self._room_id,
                "player": player,
                "instrument": instrument,
                "a4_hz": a4_hz,
                "boot_id": at.boot_id,
                "started_wall_s": at.wall_s,
                "started_monotonic_s": at.monotonic_s,
                "started_synchronised": at.synchronised,
            },
        )

    def add_note(
        self,
        sitting_id: str,
        note: HeardNote,
        ended_at: Instant,
        marks: Marks = UNMARKED,
        round_id: str | None = None,
    ) -> str:
        """Append a note and return its id; it is durable when this returns."""
        key = parse_id(sitting_id)
        return self._append(
            "note",
            {
                "sitting_id": key,
                "ended_wall_s": ended_at.wall_s,
                "ended_monotonic_s": ended_at.monotonic_s,
                "synchronised": ended_at.synchronised,
                "boot_id": self._other_boot(key, ended_at),
                **note_facts(note),
                "paused": marks.paused,
                "without": marks.without,
                "try_number": marks.try_number,
                "round_id": parse_id(round_id) if round_id and marks.in_round else None,
            },
        )

    def add_call(self, note_id: str, call: Call, at: Instant) -> None:
        """Attach a call to a note; earlier calls on it are kept, the last one counts."""
        self._add_verdict(note_id, call.value, at)

    def take_back_call(self, note_id: str, at: Instant) -> None:
        """Let no call count on a note: the last one turned out to speak of another note."""
        self._add_verdict(note_id, TAKEN_BACK, at)

    def _add_verdict(self, note_id: str, verdict: str, at: Instant) -> None:
        sitting = self._rows(
            "SELECT sitting_id FROM note WHERE id = :id", {"id": parse_id(note_id)}
        )
        if not sitting:
            raise RefusedEntryError(f"There is no note {note_id} in {self._path} to call.")
        self._append(
            "call",
            {
                "note_id": parse_id(note_id),
                "verdict": verdict,
                **instant_columns(at),
                "boot_id": self._other_boot(sitting[0]["sitting_id"], at),
            },
        )

    def strike(self, note_id: str) -> None:
        """Strike a note out: kept, marked, not counted."""
        self._change("UPDATE note SET struck = 1 WHERE id = :id", note_id, {})

    def begin_round(self, sitting_id: str, goal: RoundGoal, at: Instant) -> str:
        """Begin a round and return its id."""
        return self._append(
            "round",
            {
                "sitting_id": parse_id(sitting_id),
                **asdict(goal),
                **instant_columns(at),
            },
        )

    def end_round(self, round_id: str, *, won: bool) -> None:
        """Write how a round ended."""
        self._change("UPDATE round SET won = :won WHERE id = :id", round_id, {"won": won})

    def add_event(
        self, kind: EventKind, at: Instant, sitting_id: str | None = None, detail: str | None = None
    ) -> None:
        """Append what happened beside notes and calls."""
        self._append(
            "event",
            {
                "sitting_id": sitting_id and parse_id(sitting_id),
                "kind": kind.value,
                "detail": detail,
                **instant_columns(at),
            },
        )

    def end_sitting(self, sitting_id: str, at: Instant) -> None:
        """Write the end of a sitting."""
        self._change(
            """UPDATE sitting SET ended_wall_s = :wall_s, ended_monotonic_s = :monotonic_s,
               ended_synchronised = :synchronised, ended_boot_id = nullif(:boot_id, boot_id)
               WHERE id = :id""",
            sitting_id,
            instant_columns(at),
        )

    def unended(self) -> list[tuple[SittingRow, Instant]]:
        """Sittings of this room that nobody ended, in their order, and when each was last heard.

        There are some only where the room could not: it was killed, or the power was cut.
        """
        rows = self._rows(
            "SELECT id FROM sitting WHERE ended_wall_s IS NULL AND room_id = :room ORDER BY id",
            {"room": self._room_id},
        )
        sittings = [self._sitting(row["id"]) for row in rows]
        return [(sitting, self._last_heard(sitting)) for sitting in sittings]

    def last_attendance(self) -> tuple[str | None, Instant] | None:
        """Return who was checked in last, and when they were last heard, or checked in or out."""
        rows = self._rows(
            "SELECT id, started_wall_s FROM sitting WHERE room_id = :room ORDER BY id DESC LIMIT 1",
            {"room": self._room_id},
        )
        since_s = rows[0]["started_wall_s"] if rows else 0.0
        kinds = {"checked_in": EventKind.CHECKED_IN.value, "out": EventKind.CHECKED_OUT.value}
        told = self._rows(
            """SELECT * FROM event WHERE kind IN (:checked_in, :out) AND wall_s >= :since
               ORDER BY id DESC LIMIT 1""",
            {**kinds, "since": since_s},
        )
        sitting = self._sitting(rows[0]["id"]) if rows else None
        if told and (sitting is None or told[0]["id"] > parse_id(sitting.sitting_id)):
            return told[0]["detail"], instant(told[0])
        if sitting is None:
            return None
        return sitting.player, sitting.ended_at or self._last_heard(sitting)

    def _last_heard(self, sitting: SittingRow) -> Instant:
        rows = self._rows(
            """SELECT ended_wall_s AS wall_s, ended_monotonic_s AS monotonic_s, synchronised,
                 coalesce(boot_id, :boot_id) AS boot_id
               FROM note WHERE sitting_id = :id ORDER BY id DESC LIMIT 1""",
            {"id": parse_id(sitting.sitting_id), "boot_id": sitting.started_at.boot_id},
        )
        return instant(rows[0]) if rows else sitting.started_at

    def date_right(
        self, boot_id: str, offset_s: float, *, synchronised: bool, from_s: float | None = None
    ) -> None:
        """Date what was written during a boot, now that its clock is set: all of it, or nothing.

        ``offset_s`` is Unix time less monotonic time. Rows whose clock was not synchronised are
        dated anew, and all others from ``from_s`` (monotonic) on.
        """
        values = {
            "boot": boot_id,
            "offset": offset_s,
            "synchronised": synchronised,
            "from": from_s,
        }
        dating = DATE_UNDATED if from_s is None else DATE_UNDATED + DATE_LATER
        with self._lock, self._explained("written"), self._db.atomic():
            for statement in dating:
                self._db.execute(statement, values)

    def _other_boot(self, sitting_key: int, at: Instant) -> str | None:
        rows = self._rows("SELECT boot_id FROM sitting WHERE id = :id", {"id": sitting_key})
        if not rows:
            raise RefusedEntryError(
                f"There is no sitting {id_text(sitting_key)} in {self._path}: begin one first."
            )
        return None if rows[0]["boot_id"] == at.boot_id else at.boot_id
