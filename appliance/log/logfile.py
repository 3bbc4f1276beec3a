"""The log's file: opened, looked over, brought up to date. The only importer of sqlite-utils."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import RLock
from typing import Any, Self
from urllib.parse import quote

from sqlite_utils import Database

from appliance.log.schema import APPLICATION_ID, SCHEMA_VERSION, statements
from appliance.vocabulary import LogbookError

BUSY_TIMEOUT_S = 5.0


class NoLogYetError(LogbookError):
    """There is no log at this path yet."""


class DamagedLogError(LogbookError):
    """What is at the log's place is no database any more, or one with holes in it."""


class RefusedEntryError(LogbookError):
    """The log's own rules refuse this entry: trying again is of no use."""


class LogFile:
    """One connection to the log, and what is said where the file fails it."""

    _path: Path

    def _open(self, mode: str) -> None:
        """Connect in one of SQLite's modes: ``ro``, ``rw`` or ``rwc``."""
        self._lock = RLock()
        uri = f"file:{quote(str(self._path.absolute()))}?mode={mode}"
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

    def _rows(self, sql: str, values: dict[str, Any]) -> list[dict[str, Any]]:
        with self._lock, self._explained("read"):
            return list(self._db.query(sql, values))

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
