"""What is done to a log as a whole: copied, brought together, cleaned of what must go.

Used by hand and at night, in a process of its own; the room goes on writing meanwhile and waits
when it has to. What is deleted is overwritten in the file and emptied out of the write-ahead log.
What a card's controller keeps of old blocks nobody can reach from here.
"""

import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from appliance.log.logbook import RoomLog
from appliance.log.logfile import BUSY_TIMEOUT_S
from appliance.log.records import id_sql, id_text, parse_id
from appliance.vocabulary import LogbookError

PROBED_FOR_S = 0.5
FIRST_VERSION = 3  # of the log, with people in it

# A person's rows, each after those that refer to it. The player of a sitting is an id as text.
_SITTINGS = "SELECT id FROM sitting WHERE player = :text"
_ROWS_OF_SITTINGS = (
    "DELETE FROM call WHERE note_id IN (SELECT id FROM note WHERE sitting_id IN ({sittings}))",
    "DELETE FROM note WHERE sitting_id IN ({sittings})",
    "DELETE FROM round WHERE sitting_id IN ({sittings})",
    "DELETE FROM event WHERE sitting_id IN ({sittings})",
    "DELETE FROM sitting WHERE id IN ({sittings})",
)
_ROWS_OF_PERSON = (
    "DELETE FROM studio WHERE :key IN (teacher_id, player_id)",
    "DELETE FROM studio_card WHERE teacher_id = :key",
    "DELETE FROM focus WHERE :key IN (player_id, teacher_id)",
    "DELETE FROM event WHERE detail = :text",  # that they checked in
    "DELETE FROM listening WHERE player = :text",
    "DELETE FROM person WHERE id = :key",
    "INSERT INTO erasure (person_id, wall_s) VALUES (:key, :wall_s) ON CONFLICT DO NOTHING",
)
# A clock that was never set says nothing, but rows are numbered in their order: one is as old as
# the newest that is surely too old.
_TOO_OLD = """SELECT id FROM sitting WHERE id <= (
    SELECT max(late.id) FROM sitting AS late WHERE late.room_id = sitting.room_id
      AND late.started_synchronised AND coalesce(late.ended_wall_s, late.started_wall_s) < :cutoff
  ) AND (NOT started_synchronised OR coalesce(ended_wall_s, started_wall_s) < :cutoff)"""
_LATER_COUNTS = ("sitting", "round", "note", "call", "event", "listening", "room_setting")
_EARLIER_COUNTS = ("person", "studio", "studio_card", "focus", "erasure")


@dataclass(frozen=True, slots=True)
class Erasure:
    """Somebody who asked to be forgotten, and when (Unix time)."""

    person_id: str
    wall_s: float


class Upkeep(RoomLog):
    """A log opened for what concerns all of it; no room of its own is added to it.

    ``as_it_is`` opens it for reading only; otherwise an older log is brought up to date. Raises
    :class:`LogbookError` where there is no log.
    """

    def __init__(self, path: str | Path, *, as_it_is: bool = False) -> None:
        """Open an existing log."""
        self._path = Path(path)
        self._as_it_is = as_it_is
        self._open("ro" if as_it_is else "rw")
        with self._explained("opened"):
            self._db.execute("PRAGMA synchronous = FULL")
            self._db.execute("PRAGMA secure_delete = ON")

    def _meet_older(self) -> None:
        if not self._as_it_is:
            super()._meet_older()

    def copy_to(self, path: Path) -> None:
        """Write a copy in one file, as the log is at this moment, without anything deleted.

        Raises :class:`LogbookError` when there is no room for it or the path is taken.
        """
        self._do("VACUUM INTO :path", {"path": str(path)})
        handle = os.open(path, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)

    def counts(self) -> dict[str, int]:
        """How many sittings, notes and calls there are."""
        tables = ("sitting", "note", "call")
        return {
            table: int(self._rows(f"SELECT count(*) AS n FROM {table}", {})[0]["n"])
            for table in tables
        }

    def erasures(self) -> list[Erasure]:
        """Who asked to be forgotten."""
        if self._pragma("user_version") < FIRST_VERSION:
            return []
        rows = self._rows("SELECT * FROM erasure ORDER BY person_id", {})
        return [Erasure(id_text(row["person_id"]), row["wall_s"]) for row in rows]

    def knows(self, person_id: str) -> bool:
        """Whether anything of a person is in the log."""
        if self._pragma("user_version") < FIRST_VERSION:
            return False
        values = {"key": parse_id(person_id), "text": person_id}
        return bool(
            self._rows(
                f"SELECT 1 FROM person WHERE id = :key UNION ALL {_SITTINGS} LIMIT 1", values
            )
        )

    def forget(self, erasure: Erasure) -> None:
        """Delete a person and every trace of them, in a copy that nobody else reads."""
        self.delete_rows_of(erasure)
        self.wipe()

    def delete_rows_of(self, erasure: Erasure) -> None:
        """Delete a person and all their sittings, notes and calls: all, or nothing.

        What is left is the number of the person and when they asked, and traces in the bytes of the
        files until :meth:`wipe`.
        """
        key = parse_id(erasure.person_id)
        values = {"key": key, "text": erasure.person_id, "wall_s": erasure.wall_s}
        self._delete((*_of(_SITTINGS), *_ROWS_OF_PERSON), values)

    def wipe(self) -> None:
        """Leave no trace of what was deleted, neither in the file nor beside it.

        Raises :class:`LogbookError` when somebody reads on for so long that the write-ahead log
        cannot be emptied: then it has to be done again. That is found out before the file is
        written anew, since what is written while somebody reads only lengthens what waits.
        """
        self.empty_waiting(PROBED_FOR_S)
        self._do("VACUUM", {})
        self.empty_waiting()

    def delete_before(self, wall_s: float) -> int:
        """Delete sittings that ended before a moment (Unix time); return how many.

        Traces may be found in the write-ahead log until :meth:`empty_waiting`.
        """
        before = self.counts()["sitting"]
        self._delete(_of(_TOO_OLD), {"cutoff": wall_s})
        return before - self.counts()["sitting"]

    def take_in(self, other: Path) -> None:
        """Add what another log of the same version has; where both have a row, the other's counts.

        A room of the same name and another number gets that number added to its name. Sittings of
        people who are not known here are nobody's.
        """
        self._do("ATTACH DATABASE :path AS other", {"path": str(other)})
        try:
            with self._lock, self._explained("written"), self._db.atomic():
                for statement in _taking_in():
                    self._db.execute(statement)
        finally:
            self._do("DETACH DATABASE other", {})

    def _delete(self, statements: tuple[str, ...], values: dict[str, Any]) -> None:
        with self._lock, self._explained("written"), self._db.atomic():
            for statement in statements:
                self._db.execute(statement, values)

    def empty_waiting(self, patience_s: float = BUSY_TIMEOUT_S) -> None:
        """Move all that waits in the write-ahead log into the file and cut it to nothing.

        Raises :class:`LogbookError` when somebody reads on for longer than ``patience_s``; so long
        nobody else can write.
        """
        self._pragma(f"busy_timeout = {patience_s * 1000:.0f}")
        try:
            (row,) = self._rows("PRAGMA wal_checkpoint(TRUNCATE)", {})
        finally:
            self._pragma(f"busy_timeout = {BUSY_TIMEOUT_S * 1000:.0f}")
        if row["busy"]:
            raise LogbookError(
                f"The log {self._path} is being read, so what was deleted can still be found "
                "beside it: try again in a minute."
            )


def _of(sittings: str) -> tuple[str, ...]:
    return tuple(statement.format(sittings=sittings) for statement in _ROWS_OF_SITTINGS)


def _taking_in() -> tuple[str, ...]:
    return (
        """INSERT INTO room SELECT id, CASE WHEN name IN (SELECT name FROM main.room)
             THEN name || printf(' %08x', id) ELSE name END, last_number
           FROM other.room WHERE id NOT IN (SELECT id FROM main.room)""",
        """UPDATE room SET last_number = max(last_number, coalesce(
             (SELECT last_number FROM other.room AS o WHERE o.id = room.id), 0))""",
        "DELETE FROM main.person WHERE id IN (SELECT id FROM other.person)",  # a PIN may be newer
        *(f"INSERT OR REPLACE INTO {t} SELECT * FROM other.{t}" for t in _LATER_COUNTS),
        *(f"INSERT OR IGNORE INTO {t} SELECT * FROM other.{t}" for t in _EARLIER_COUNTS),
        f"""UPDATE sitting SET player = NULL WHERE id IN (SELECT id FROM other.sitting)
             AND player IN (SELECT {id_sql("id")} FROM other.person
                            WHERE id NOT IN (SELECT id FROM main.person))""",
    )
