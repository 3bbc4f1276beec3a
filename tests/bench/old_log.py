"""A log as the first version of the schema had it, and what of it must outlive every update."""

import hashlib
import json
import shutil
import sqlite3
import tempfile
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from appliance.log.records import row_key
from appliance.log.schema import STEPS

NOTES, ROOM, BEGAN_S = 200, 77, 1.0e9
PARTS = ("", "-wal")


@dataclass(frozen=True)
class Facts:
    """How a log is: its version, its soundness, and its old rows by their hash."""

    version: int
    sound: str
    notes: int
    rows: str


def write(path: Path, room: str) -> None:
    """Write one sitting of ``NOTES`` notes, with columns that the first version knew."""
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("PRAGMA journal_mode = WAL")
        db.executescript(STEPS[0])
        db.execute("PRAGMA user_version = 1")
        db.execute("INSERT INTO room VALUES (?, ?, ?)", [ROOM, room, NOTES + 1])
        sitting = row_key(ROOM, 1)
        db.execute(
            """INSERT INTO sitting VALUES (?, ?, NULL, 'viola', 440.0, 'boot', ?, 0.0, 1,
                 ?, 900.0, 1, NULL)""",
            [sitting, ROOM, BEGAN_S, BEGAN_S + 900.0],
        )
        for number in range(NOTES):
            hz = 220.0 + number / 7.0
            db.execute(
                """INSERT INTO note (id, sitting_id, ended_wall_s, ended_monotonic_s, synchronised,
                     duration_ms, landing_hz, settled_hz, arrival, level_db, measurable, repeat)
                   VALUES (?, ?, ?, ?, 1, 900, ?, ?, 'bow', -20.0, 1, 0)""",
                [row_key(ROOM, 2 + number), sitting, BEGAN_S + number, number, hz, hz],
            )


def facts(path: Path) -> Facts:
    """Read a log, in a copy: a reader of another user must leave nothing beside it."""
    with tempfile.TemporaryDirectory() as folder:
        for part in PARTS:
            if (file := path.with_name(path.name + part)).exists():
                shutil.copy(file, Path(folder) / f"log.db{part}")
        with closing(sqlite3.connect(Path(folder) / "log.db")) as db:
            (version,) = db.execute("PRAGMA user_version").fetchone()
            (sound,) = db.execute("PRAGMA integrity_check").fetchone()
            notes = db.execute(
                """SELECT id, sitting_id, ended_wall_s, ended_monotonic_s, duration_ms, landing_hz,
                     settled_hz, arrival, level_db FROM note WHERE sitting_id = ? ORDER BY id""",
                [row_key(ROOM, 1)],
            ).fetchall()
            sittings = db.execute(
                "SELECT id, started_wall_s, ended_wall_s, a4_hz FROM sitting WHERE room_id = ?",
                [ROOM],
            ).fetchall()
    rows = hashlib.sha256(json.dumps([notes, sittings]).encode()).hexdigest()
    return Facts(version, sound, len(notes), rows)
