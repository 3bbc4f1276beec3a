"""The log's file: of somebody else, newer, older, missing, out of reach."""

import os
import sqlite3
import stat
from pathlib import Path

import pytest

from appliance.log import logfile, schema
from appliance.log.logbook import Logbook
from appliance.log.logfile import NoLogYetError
from appliance.log.reader import LogReader
from appliance.log.records import UNMARKED, Marks
from appliance.vocabulary import (
    Call,
    LogbookError,
)
from tests.log_rows import BOOT, PLAIN
from tests.logged import AT, GOAL, begun, logged


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "room.db"


@pytest.mark.parametrize("opener", [LogReader, lambda path: Logbook(path, "north room")])
@pytest.mark.parametrize(
    "content", [b"hello", b"x" * 8192, b"SQLite format 3\0" + b"\xff" * 4000], ids=len
)
def test_a_file_that_is_no_database_is_left_as_it_was(
    path: Path, content: bytes, opener: type[LogReader]
) -> None:
    path.write_bytes(content)
    with pytest.raises(LogbookError) as raised:
        opener(path)
    assert str(path) in str(raised.value)
    assert "\n" not in str(raised.value)
    assert path.read_bytes() == content


@pytest.mark.parametrize("opener", [LogReader, lambda path: Logbook(path, "north room")])
def test_somebody_elses_database_is_left_as_it_was(path: Path, opener: type[LogReader]) -> None:
    other = sqlite3.connect(path)
    other.execute("CREATE TABLE recipes (name TEXT)")
    other.commit()
    other.close()
    before = path.read_bytes()
    with pytest.raises(LogbookError, match="is not a Groundnote log"):
        opener(path)
    assert path.read_bytes() == before


@pytest.mark.parametrize("opener", [LogReader, lambda path: Logbook(path, "north room")])
def test_a_newer_log_is_left_as_it_was(path: Path, opener: type[LogReader]) -> None:
    logged(path, PLAIN)
    newer = sqlite3.connect(path)
    newer.execute(f"PRAGMA user_version = {schema.SCHEMA_VERSION + 1}")
    newer.close()
    before = path.read_bytes()
    with pytest.raises(LogbookError, match=r"newer Groundnote.*update Groundnote"):
        opener(path)
    assert path.read_bytes() == before


def _first_version(path: Path) -> None:
    """A log as version 1 wrote it, with a sitting, a note and a call."""
    old = sqlite3.connect(path)
    old.executescript(schema.STEPS[0])
    old.execute("PRAGMA user_version = 1")
    old.executescript(
        f"""INSERT INTO room VALUES (1, 'north room', 2);
        INSERT INTO sitting (id, room_id, player, instrument, a4_hz, boot_id, started_wall_s,
          started_monotonic_s, started_synchronised)
          VALUES (4294967297, 1, 'wren', 'viola', 440.0, '{BOOT}', {AT.wall_s}, 1.0, 1);
        INSERT INTO note (id, sitting_id, ended_wall_s, ended_monotonic_s, synchronised,
          duration_ms, landing_hz, settled_hz, arrival, level_db, measurable, repeat, struck)
          VALUES (4294967298, 4294967297, {AT.wall_s}, 2.0, 1, 900, 220.5, 220.0, 'bow', -24.0,
                  1, 0, 1);
        INSERT INTO call VALUES (4294967298, 1, 'sharp', {AT.wall_s}, 3.0, 1, NULL);"""
    )
    old.close()


def test_a_log_of_the_first_version_can_be_read_as_it_is(path: Path) -> None:
    _first_version(path)
    before = path.read_bytes()
    with LogReader(path) as log:
        (row,) = log.notes(0, 1e11)
        assert (row.struck, row.call, row.marks, row.round_id) == (True, Call.SHARP, UNMARKED, None)
        assert log.rounds(0, 1e11) == [] and log.events(0, 1e11) == []
    assert path.read_bytes() == before


def test_its_room_brings_an_older_log_up_to_date_and_loses_nothing(path: Path) -> None:
    _first_version(path)
    with LogReader(path) as log:
        before = log.notes(0, 1e11)
    for _ in range(2):  # the second time there is nothing left to do
        with Logbook(path, "north room") as log:
            assert log.notes(0, 1e11) == before
            assert log._pragma("user_version") == schema.SCHEMA_VERSION
    with Logbook(path, "north room") as log:
        sitting = begun(log)
        one = log.begin_round(sitting, GOAL, AT)
        log.add_note(sitting, PLAIN, AT.later(9), Marks(True, True, True, 3), one)
        assert log.notes(AT.wall_s + 1, 1e11)[0].marks == Marks(True, True, True, 3)
        assert log._db.execute("PRAGMA foreign_key_check").fetchall() == []


def test_a_log_brought_up_to_date_is_like_a_new_one(tmp_path: Path) -> None:
    _first_version(tmp_path / "old.db")
    schemas = []
    for name in ("old.db", "new.db"):
        with Logbook(tmp_path / name, "north room") as log:
            rows = log._db.execute("SELECT name, sql FROM sqlite_master ORDER BY name").fetchall()
            schemas.append(rows)
    assert schemas[0] == schemas[1]


def test_a_step_that_fails_leaves_the_older_log_as_it_was(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    _first_version(path)
    broken = ["CREATE TABLE round (id INTEGER PRIMARY KEY)", "CREATE TABLE note (id INTEGER)"]
    monkeypatch.setattr(logfile, "statements", lambda _version: broken)
    with pytest.raises(LogbookError, match="cannot be opened"):
        Logbook(path, "north room")
    with sqlite3.connect(path) as old:
        assert old.execute("PRAGMA user_version").fetchone() == (1,)
        assert old.execute(
            "SELECT count(*) FROM sqlite_master WHERE name = 'round'"
        ).fetchone() == (0,)


def test_a_reader_makes_no_file(path: Path) -> None:
    with pytest.raises(NoLogYetError, match="no log"):
        LogReader(path)
    assert not path.exists()
    path.touch()
    with pytest.raises(NoLogYetError):
        LogReader(path)
    assert path.stat().st_size == 0


def test_a_log_that_is_just_being_made_is_no_log_yet(path: Path) -> None:
    empty = sqlite3.connect(path)
    empty.execute("PRAGMA journal_mode = WAL")
    empty.close()
    assert path.stat().st_size > 0
    with pytest.raises(NoLogYetError):
        LogReader(path)
    logged(path, PLAIN)


def test_a_folder_in_place_of_the_log_is_said(tmp_path: Path) -> None:
    for opener in (LogReader, lambda path: Logbook(path, "north room")):
        with pytest.raises(LogbookError, match="cannot be opened"):
            opener(tmp_path)


def test_a_path_that_cannot_even_be_looked_at_is_said(tmp_path: Path) -> None:
    with pytest.raises(LogbookError, match="cannot be opened"):
        LogReader(tmp_path / ("x" * 5000))


def test_a_folder_that_is_not_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(LogbookError, match="cannot be opened"):
        Logbook(tmp_path / "missing" / "room.db", "north room")


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write everywhere")
def test_a_folder_that_may_not_be_written_is_said(tmp_path: Path) -> None:
    tmp_path.chmod(stat.S_IRUSR | stat.S_IXUSR)
    with pytest.raises(LogbookError, match="permissions"):
        Logbook(tmp_path / "room.db", "north room")


def test_odd_characters_in_the_path_are_only_a_path(tmp_path: Path) -> None:
    path = tmp_path / "room ?mode=memory#1 %41.db"
    logged(path, PLAIN)
    assert path.exists()
    with LogReader(path) as log:
        assert len(log.notes(0, 1e11)) == 1
