"""The log, written: appended to, changed where something was only learnt later.

Only physical facts are kept (Hz, seconds, decibels); cents against a target are computed when
somebody reads.
"""

import secrets
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import asdict
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from appliance.log.dating import DATE_LATER, DATE_UNDATED
from appliance.log.logfile import RefusedEntryError
from appliance.log.reader import LogReader
from appliance.log.records import (
    TAKEN_BACK,
    UNMARKED,
    EventKind,
    Listened,
    Marks,
    RoundGoal,
    SittingRow,
    id_sql,
    id_text,
    instant,
    instant_columns,
    note_facts,
    parse_id,
    row_key,
)
from appliance.vocabulary import Call, HeardNote, Instant, LogbookError


class RoomLog(LogReader):
    """A log that is written to, on behalf of one room; a missing file is created.

    Write-ahead log with ``synchronous = FULL``: whatever a method has returned from survives a
    power cut. A write that fails raises :class:`LogbookError` and leaves nothing half done, so it
    can be tried again. Several processes may write; each waits for the other.
    """

    def __init__(self, path: str | Path, room: str) -> None:
        """Open the log at ``path`` for the room named ``room``."""
        self._path = Path(path)
        self._open("rwc")
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
        with self.one_step():
            number = self._db.execute(
                "UPDATE room SET last_number = last_number + 1 WHERE id = ? RETURNING last_number",
                [self._room_id],
            ).fetchall()[0][0]
            key = row_key(self._room_id, int(number))
            self._db.table(table).insert({"id": key, **record})
        return id_text(key)

    @contextmanager
    def one_step(self) -> Iterator[None]:
        """Let what is written inside be in the log whole, or not at all."""
        with self._lock, self._explained("written"), self._db.atomic():
            yield

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

    def strike(self, note_id: str, *, struck: bool = True) -> None:
        """Strike a note out (kept, marked, not counted), or take that back."""
        self._change("UPDATE note SET struck = :struck WHERE id = :id", note_id, {"struck": struck})

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

    def keep_listening(self, listened: Iterable[Listened]) -> None:
        """Write what was used of a day's dose by now; what is older than the day before goes.

        Nothing is written of somebody who has been deleted meanwhile.
        """
        with self.one_step():
            for one in listened:
                self._db.execute(
                    "DELETE FROM listening WHERE day < ?", [str(one.day - timedelta(days=1))]
                )
                self._db.execute(
                    f"""INSERT OR REPLACE INTO listening SELECT :day, :player, :used
                       WHERE :player NOT IN (
                         SELECT {id_sql("person_id")}
                         FROM erasure)""",
                    {"day": str(one.day), "player": one.player or "", "used": one.used_percent},
                )

    def listening(self) -> list[Listened]:
        """Return what was used of the dose of the last two days."""
        return [
            Listened(row["player"] or None, date.fromisoformat(row["day"]), row["used_percent"])
            for row in self._rows("SELECT * FROM listening", {})
        ]

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
        with self.one_step():
            for statement in dating:
                self._db.execute(statement, values)

    def _other_boot(self, sitting_key: int, at: Instant) -> str | None:
        rows = self._rows("SELECT boot_id FROM sitting WHERE id = :id", {"id": sitting_key})
        if not rows:
            raise RefusedEntryError(
                f"There is no sitting {id_text(sitting_key)} in {self._path}: begin one first."
            )
        return None if rows[0]["boot_id"] == at.boot_id else at.boot_id
