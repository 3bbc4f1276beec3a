"""The log's schema, as the steps that lead to it: a log of any older version takes those it lacks.

Pure. The number of steps taken is the log's version. Steps are never changed once released.
"""

APPLICATION_ID = 0x47726E74  # "Grnt": tells our file from any other SQLite database

# Durations are whole milliseconds and repeated facts (room, player, boot) stand with the sitting,
# so that a note stays well under 200 bytes with its index.
_FIRST = f"""
CREATE TABLE room (
  id INTEGER PRIMARY KEY,
  name TEXT NOT NULL UNIQUE,
  last_number INTEGER NOT NULL
) STRICT;
CREATE TABLE sitting (
  id INTEGER PRIMARY KEY,
  room_id INTEGER NOT NULL REFERENCES room (id),
  player TEXT,
  instrument TEXT NOT NULL,
  a4_hz REAL NOT NULL,
  boot_id TEXT NOT NULL,
  started_wall_s REAL NOT NULL,
  started_monotonic_s REAL NOT NULL,
  started_synchronised INTEGER NOT NULL,
  ended_wall_s REAL,
  ended_monotonic_s REAL,
  ended_synchronised INTEGER,
  ended_boot_id TEXT -- null: the boot it was begun in
) STRICT;
CREATE TABLE note (
  id INTEGER PRIMARY KEY,
  sitting_id INTEGER NOT NULL REFERENCES sitting (id),
  ended_wall_s REAL NOT NULL,
  ended_monotonic_s REAL NOT NULL,
  synchronised INTEGER NOT NULL,
  boot_id TEXT, -- null: the boot the sitting was begun in
  duration_ms INTEGER NOT NULL,
  landing_hz REAL,
  landing_uncertainty_cents REAL,
  settled_hz REAL,
  arrival TEXT NOT NULL,
  slide_ms INTEGER,
  vibrato_rate_hz REAL,
  vibrato_extent_cents REAL,
  shift_from_hz REAL,
  shift_to_hz REAL,
  shift_likely REAL,
  drone_hz REAL,
  reference_hz REAL,
  level_db REAL NOT NULL,
  measurable INTEGER NOT NULL,
  repeat INTEGER NOT NULL,
  struck INTEGER NOT NULL DEFAULT 0
) STRICT;
CREATE INDEX note_by_time ON note (ended_wall_s);
CREATE TABLE call (
  note_id INTEGER NOT NULL REFERENCES note (id),
  id INTEGER NOT NULL,
  verdict TEXT NOT NULL,
  wall_s REAL NOT NULL,
  monotonic_s REAL NOT NULL,
  synchronised INTEGER NOT NULL,
  boot_id TEXT, -- null: the boot the sitting was begun in
  PRIMARY KEY (note_id, id)
) STRICT, WITHOUT ROWID;
PRAGMA application_id = {APPLICATION_ID};
"""

# What the foot can do beside calls: pauses, playing without the drone, rounds.
_SECOND = """
CREATE TABLE round (
  id INTEGER PRIMARY KEY,
  sitting_id INTEGER NOT NULL REFERENCES sitting (id),
  from_hz REAL, -- null: from silence
  target_low_hz REAL NOT NULL,
  target_high_hz REAL NOT NULL,
  band_cents REAL NOT NULL,
  wall_s REAL NOT NULL,
  monotonic_s REAL NOT NULL,
  synchronised INTEGER NOT NULL,
  boot_id TEXT NOT NULL,
  won INTEGER -- null: not ended yet
) STRICT;
CREATE TABLE event (
  id INTEGER PRIMARY KEY,
  sitting_id INTEGER REFERENCES sitting (id), -- null: between sittings
  kind TEXT NOT NULL,
  detail TEXT,
  wall_s REAL NOT NULL,
  monotonic_s REAL NOT NULL,
  synchronised INTEGER NOT NULL,
  boot_id TEXT NOT NULL
) STRICT;
CREATE INDEX event_by_time ON event (wall_s);
ALTER TABLE note ADD COLUMN paused INTEGER NOT NULL DEFAULT 0;
ALTER TABLE note ADD COLUMN without INTEGER NOT NULL DEFAULT 0;
ALTER TABLE note ADD COLUMN round_id INTEGER REFERENCES round (id);
ALTER TABLE note ADD COLUMN try_number INTEGER; -- null in a round: the note to come from
"""

STEPS = (_FIRST, _SECOND)
SCHEMA_VERSION = len(STEPS)


def statements(version: int) -> list[str]:
    """What a log of this version (0: an empty file) still lacks, one statement each."""
    sql = [part for step in STEPS[version:] for part in step.split(";") if part.strip()]
    return [*sql, f"PRAGMA user_version = {SCHEMA_VERSION}"]
