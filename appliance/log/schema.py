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

# People, and what a room keeps for them. A sitting's player is the id of a person as text.
_THIRD = """
CREATE TABLE person (
  id INTEGER PRIMARY KEY,
  nickname TEXT NOT NULL,
  nickname_key TEXT NOT NULL UNIQUE, -- normalised and case folded: two people cannot look alike
  role TEXT NOT NULL CHECK (role IN ('player', 'teacher', 'owner')),
  pin_hash TEXT NOT NULL,
  pin_given INTEGER NOT NULL DEFAULT 0, -- somebody else chose the PIN: the next sign-in asks anew
  session_number INTEGER NOT NULL DEFAULT 1, -- raised to end every session of this person
  consent_on TEXT, -- the date of a guardian's consent, where the school needs one
  created_wall_s REAL NOT NULL
) STRICT;
CREATE TABLE studio ( -- the players who accepted a teacher's card
  teacher_id INTEGER NOT NULL REFERENCES person (id) ON DELETE CASCADE,
  player_id INTEGER NOT NULL REFERENCES person (id) ON DELETE CASCADE,
  accepted_wall_s REAL NOT NULL,
  PRIMARY KEY (teacher_id, player_id)
) STRICT, WITHOUT ROWID;
CREATE TABLE studio_card (
  teacher_id INTEGER PRIMARY KEY REFERENCES person (id) ON DELETE CASCADE,
  code TEXT NOT NULL UNIQUE -- printed on the card (a new card makes the old one void)
) STRICT;
CREATE TABLE focus ( -- what a teacher set for a player's week
  player_id INTEGER NOT NULL REFERENCES person (id) ON DELETE CASCADE,
  week TEXT NOT NULL, -- such as 2026-W07
  teacher_id INTEGER NOT NULL REFERENCES person (id) ON DELETE CASCADE,
  band_cents REAL,
  notes TEXT NOT NULL, -- MIDI numbers, a JSON list
  shifts TEXT NOT NULL, -- pairs of MIDI numbers, a JSON list
  drone_midi INTEGER,
  PRIMARY KEY (player_id, week)
) STRICT, WITHOUT ROWID;
CREATE TABLE room_setting ( -- what was set on the page in place of the settings file
  key TEXT PRIMARY KEY,
  value TEXT NOT NULL -- JSON
) STRICT, WITHOUT ROWID;
CREATE TABLE erasure ( -- who asked to be forgotten: a backup brought back is cleaned again
  person_id INTEGER PRIMARY KEY,
  wall_s REAL NOT NULL
) STRICT;
CREATE INDEX sitting_by_player ON sitting (player, started_wall_s);
"""

# Notes that wait for the clock to be set are found without reading all others.
_FOURTH = """
CREATE INDEX note_undated ON note (id) WHERE synchronised = 0;
"""

# The day's listening: a room that is started again goes on counting.
_FIFTH = """
CREATE TABLE listening (
  day TEXT NOT NULL, -- of the room's time zone
  player TEXT NOT NULL, -- a person's id (empty: nobody was checked in)
  used_percent REAL NOT NULL, -- of a day's dose
  PRIMARY KEY (day, player)
) STRICT, WITHOUT ROWID;
"""

STEPS = (_FIRST, _SECOND, _THIRD, _FOURTH, _FIFTH)
SCHEMA_VERSION = len(STEPS)


def statements(version: int) -> list[str]:
    """What a log of this version (0: an empty file) still lacks, one statement each."""
    sql = [part for step in STEPS[version:] for part in step.split(";") if part.strip()]
    return [*sql, f"PRAGMA user_version = {SCHEMA_VERSION}"]
