"""The log on disk, on real SQLite files."""

import multiprocessing
import os
import signal
import sqlite3
import stat
import subprocess
import sys
import textwrap
import threading
import time
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from appliance.log import logfile, schema
from appliance.log.logbook import Logbook
from appliance.log.logfile import NoLogYetError
from appliance.log.reader import LogReader
from appliance.log.records import UNMARKED, EventKind, EventRow, Marks, RoundGoal, RoundRow
from appliance.vocabulary import (
    Arrival,
    Call,
    HeardNote,
    Instant,
    LogbookError,
    Movement,
    Shift,
    Vibrato,
)
from tests.log_rows import BOOT, PLAIN, UNMEASURED, fill, heard, instant

AT = instant(2026, 2, 9)
FULL = replace(
    PLAIN,
    start_s=10.0,
    end_s=11.25,
    landing_hz=391.2345678,
    landing_uncertainty_cents=1.234,
    drone_hz=219.98765,
    reference_hz=219.98765,
    level_db=-23.71,
    settled_hz=392.0001,
    arrival=Arrival.SLIDE,
    slide_s=0.12,
    vibrato=Vibrato(5.7, 14.2),
    shift=Shift(246.94, 392.0001, 0.83),
)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "room.db"


def _begun(log: Logbook) -> str:
    return log.begin_sitting(AT, instrument="viola", a4_hz=442.0, player="wren")


def _logged(path: Path, *notes: HeardNote) -> list[str]:
    with Logbook(path, "north room") as log:
        sitting = _begun(log)
        return [log.add_note(sitting, note, AT.later(n)) for n, note in enumerate(notes)]


def _on_boot_clock(note: HeardNote, ended_at: Instant) -> HeardNote:
    end_s = ended_at.monotonic_s
    return replace(note, start_s=end_s - (note.end_s - note.start_s), end_s=end_s)


@pytest.mark.parametrize("note", [FULL, PLAIN, UNMEASURED, replace(PLAIN, drone_hz=None)])
def test_a_note_comes_back_as_it_was_heard(path: Path, note: HeardNote) -> None:
    (note_id,) = _logged(path, note)
    with LogReader(path) as log:
        (row,) = log.notes(AT.wall_s, AT.wall_s + 1)
    assert row.note_id == note_id
    assert row.note == _on_boot_clock(note, AT)
    assert (row.ended_at, row.struck, row.call) == (AT, False, None)
    assert (row.sitting.room, row.sitting.player) == ("north room", "wren")
    assert (row.sitting.instrument, row.sitting.a4_hz) == ("viola", 442.0)
    assert (row.sitting.started_at, row.sitting.ended_at) == (AT, None)


NOTES = st.builds(
    lambda hz, uncertainty, level_db, likely, arrival, repeat: replace(
        FULL,
        landing_hz=hz,
        landing_uncertainty_cents=uncertainty,
        level_db=level_db,
        shift=Shift(hz, hz, likely),
        arrival=arrival,
        repeat=repeat,
    ),
    st.floats(20.0, 5000.0),
    st.floats(0.0, 50.0),
    st.floats(-120.0, 0.0),
    st.floats(0.0, 1.0),
    st.sampled_from(Arrival),
    st.booleans(),
)


@settings(max_examples=15, deadline=None)
@given(notes=st.lists(NOTES, min_size=1, max_size=5))
def test_every_float_survives_bit_for_bit(
    tmp_path_factory: pytest.TempPathFactory, notes: list[HeardNote]
) -> None:
    path = tmp_path_factory.mktemp("log") / "room.db"
    _logged(path, *notes)
    with LogReader(path) as log:
        rows = log.notes(0, 1e11)
    assert [row.note for row in rows] == [
        _on_boot_clock(note, AT.later(n)) for n, note in enumerate(notes)
    ]


def test_the_range_holds_its_start_and_not_its_end(path: Path) -> None:
    first, second, third = _logged(path, PLAIN, PLAIN, PLAIN)
    with LogReader(path) as log:
        found = [row.note_id for row in log.notes(AT.wall_s, AT.wall_s + 2)]
        assert found == [first, second]
        assert [row.note_id for row in log.notes(AT.wall_s + 2, AT.wall_s + 9)] == [third]
        assert log.span() == (AT.wall_s, AT.wall_s + 2)


def test_only_one_players_notes_when_asked(path: Path) -> None:
    with Logbook(path, "north room") as log:
        for player in ("wren", "lark", None):
            sitting = log.begin_sitting(AT, instrument="cello", a4_hz=440.0, player=player)
            log.add_note(sitting, PLAIN, AT)
        (row,) = log.notes(0, 1e11, player="lark")
        assert row.sitting.player == "lark"
        assert len(log.notes(0, 1e11)) == 3
        assert log.notes(0, 1e11, player="lark' OR '1'='1") == []


@pytest.mark.parametrize(
    ("instrument", "movement"),
    [
        ("cello", Movement.SHIFT),
        ("trombone", Movement.SLIDE_MOVE),
        ("flute", Movement.LEAP),
        ("an instrument of the future", Movement.SHIFT),
    ],
)
def test_the_instrument_says_what_moved(path: Path, instrument: str, movement: Movement) -> None:
    with Logbook(path, "north room") as log:
        sitting = log.begin_sitting(AT, instrument=instrument, a4_hz=440.0)
        log.add_note(sitting, FULL, AT)
        (row,) = log.notes(0, 1e11)
    assert row.note.shift is not None and row.note.shift.movement is movement


def test_the_last_call_counts_and_earlier_ones_are_kept(path: Path) -> None:
    with Logbook(path, "north room") as log:
        note_id = log.add_note(_begun(log), PLAIN, AT)
        log.add_call(note_id, Call.SHARP, AT.later(1))
        log.add_call(note_id, Call.IN_TUNE, AT.later(0.5))  # the wall clock jumped back
        (row,) = log.notes(0, 1e11)
    assert row.call is Call.IN_TUNE
    with sqlite3.connect(path) as raw:
        calls = raw.execute("SELECT verdict, wall_s, monotonic_s FROM call ORDER BY id").fetchall()
    assert calls == [
        ("sharp", AT.wall_s + 1, AT.monotonic_s + 1),
        ("in tune", AT.wall_s + 0.5, AT.monotonic_s + 0.5),
    ]


def test_a_call_that_spoke_of_another_note_is_taken_back_and_kept(path: Path) -> None:
    with Logbook(path, "north room") as log:
        note_id = log.add_note(_begun(log), PLAIN, AT)
        log.add_call(note_id, Call.SHARP, AT.later(1))
        log.take_back_call(note_id, AT.later(2))
        assert [row.call for row in log.notes(0, 1e11)] == [None]
        log.add_call(note_id, Call.FLAT, AT.later(3))
        assert [row.call for row in log.notes(0, 1e11)] == [Call.FLAT]
    with sqlite3.connect(path) as raw:
        assert raw.execute("SELECT count(*) FROM call").fetchone() == (3,)


def test_a_struck_note_is_kept_and_marked(path: Path) -> None:
    with Logbook(path, "north room") as log:
        sitting = _begun(log)
        struck, other = (log.add_note(sitting, PLAIN, AT) for _ in range(2))
        log.strike(struck)
        assert {row.note_id: row.struck for row in log.notes(0, 1e11)} == {
            struck: True,
            other: False,
        }


def test_a_sitting_ends_even_in_another_boot(path: Path) -> None:
    end = replace(AT.later(600), boot_id="another boot", synchronised=False)
    with Logbook(path, "north room") as log:
        sitting = _begun(log)
        log.add_note(sitting, PLAIN, AT)
        log.add_note(sitting, PLAIN, replace(end, wall_s=AT.wall_s + 599))
        log.end_sitting(sitting, end)
        first, second = log.notes(0, 1e11)
    assert first.sitting.ended_at == end
    assert (first.ended_at.boot_id, first.ended_at.synchronised) == (BOOT, True)
    assert (second.ended_at.boot_id, second.ended_at.synchronised) == ("another boot", False)


def test_ids_are_unique_across_rooms_and_go_on_after_reopening(tmp_path: Path) -> None:
    ids = [
        note_id
        for name in ("one.db", "two.db")
        for _ in range(2)
        for note_id in _logged(tmp_path / name, PLAIN, PLAIN)
    ]
    assert len(set(ids)) == 8
    assert len({note_id.split("-")[0] for note_id in ids}) == 2


@pytest.mark.parametrize("bad", ["", "1", "x-1", "00000001-", "00000001-2; DROP TABLE note", "é-1"])
def test_what_is_no_id_is_refused(path: Path, bad: str) -> None:
    with Logbook(path, "north room") as log:
        with pytest.raises(LogbookError, match="no id of the log"):
            log.strike(bad)
        with pytest.raises(LogbookError, match="no id of the log"):
            log.add_note(bad, PLAIN, AT)


def test_rows_that_are_not_there_are_named(path: Path) -> None:
    missing = "00000001-99"
    with Logbook(path, "north room") as log:
        for attempt in (
            lambda: log.strike(missing),
            lambda: log.end_sitting(missing, AT),
            lambda: log.add_note(missing, PLAIN, AT),
            lambda: log.add_call(missing, Call.FLAT, AT),
        ):
            with pytest.raises(LogbookError, match=missing):
                attempt()
        assert log.notes(0, 1e11) == []


def test_writes_are_durable_by_the_pragmas_that_make_them_so(path: Path) -> None:
    with Logbook(path, "north room") as log:
        asked = {
            name: log._db.execute(f"PRAGMA {name}").fetchone()[0]
            for name in ("journal_mode", "synchronous", "busy_timeout", "foreign_keys")
        }
    assert asked == {
        "journal_mode": "wal",
        "synchronous": 2,
        "busy_timeout": 5000,
        "foreign_keys": 1,
    }


def test_a_killed_writer_loses_no_note_that_was_returned(path: Path) -> None:
    script = textwrap.dedent(
        """
        import sys
        from appliance.log.logbook import Logbook
        from tests.log_rows import PLAIN, instant
        at = instant(2026, 2, 9)
        with Logbook(sys.argv[1], "north room") as log:
            sitting = log.begin_sitting(at, instrument="viola", a4_hz=440.0)
            for n in range(100000):
                print(log.add_note(sitting, PLAIN, at.later(n)), flush=True)
        """
    )
    writer = subprocess.Popen(
        [sys.executable, "-c", script, str(path)],
        stdout=subprocess.PIPE,
        text=True,
        cwd=Path(__file__).parent.parent,
    )
    assert writer.stdout is not None
    promised = [writer.stdout.readline().strip() for _ in range(25)]
    writer.send_signal(signal.SIGKILL)
    promised += writer.stdout.read().split()
    writer.wait()
    with Logbook(path, "north room") as log:
        kept = [row.note_id for row in log.notes(0, 1e11)]
        assert log._db.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
    # The last line may have been cut off by the kill, or the note not yet announced.
    assert set(promised[:-1]) <= set(kept)
    assert len(kept) >= 25


def test_a_commit_takes_well_under_a_second(path: Path) -> None:
    with Logbook(path, "north room") as log:
        sitting = _begun(log)
        took_s = []
        for n in range(50):
            began = time.perf_counter()
            log.add_note(sitting, FULL, AT.later(n))
            took_s.append(time.perf_counter() - began)
    assert max(took_s) < 1.0


def test_a_reader_sees_what_a_writer_has_committed_and_stops_nobody(path: Path) -> None:
    with Logbook(path, "north room") as log:
        sitting = _begun(log)
        log.add_note(sitting, PLAIN, AT)
        with LogReader(path) as reader:
            assert len(reader.notes(0, 1e11)) == 1
            log.add_note(sitting, PLAIN, AT.later(1))
            assert len(reader.notes(0, 1e11)) == 2


def test_a_reader_cannot_write(path: Path) -> None:
    _logged(path, PLAIN)
    before = path.read_bytes()
    with LogReader(path) as log, pytest.raises(sqlite3.OperationalError, match="readonly"):
        log._db.execute("UPDATE note SET struck = 1")
    assert path.read_bytes() == before


def test_one_book_may_be_written_from_several_threads(path: Path) -> None:
    with Logbook(path, "north room") as log:
        sitting = _begun(log)
        threads = [
            threading.Thread(target=lambda: [log.add_note(sitting, PLAIN, AT) for _ in range(10)])
            for _ in range(4)
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert len({row.note_id for row in log.notes(0, 1e11)}) == 40


def _write_some(path: Path, notes: int) -> None:
    with Logbook(path, "north room") as log:
        sitting = _begun(log)
        for _ in range(notes):
            log.add_note(sitting, PLAIN, AT)


def test_two_processes_wait_for_each_other(path: Path) -> None:
    _logged(path)
    spawn = multiprocessing.get_context("spawn")
    writers = [spawn.Process(target=_write_some, args=(path, 20)) for _ in range(2)]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join(60)
    assert [writer.exitcode for writer in writers] == [0, 0]
    with LogReader(path) as log:
        assert len({row.note_id for row in log.notes(0, 1e11)}) == 40


def test_a_locked_log_says_so_and_the_note_can_be_tried_again(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(logfile, "BUSY_TIMEOUT_S", 0.05)
    with Logbook(path, "north room") as log:
        sitting = _begun(log)
        holder = sqlite3.connect(path, isolation_level=None)
        holder.execute("BEGIN IMMEDIATE")
        with pytest.raises(LogbookError, match=r"cannot be written \(database is locked\)"):
            log.add_note(sitting, PLAIN, AT)
        holder.execute("ROLLBACK")
        holder.close()
        note_id = log.add_note(sitting, PLAIN, AT)
        assert [row.note_id for row in log.notes(0, 1e11)] == [note_id]


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
    _logged(path, PLAIN)
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
        sitting = _begun(log)
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


GOAL = RoundGoal(246.94, 391.1, 396.0, 10.0)


def test_rounds_and_events_come_back_as_they_were(path: Path) -> None:
    with Logbook(path, "north room") as log:
        log.add_event(EventKind.PEDAL_STUCK, AT, detail="left")
        sitting = _begun(log)
        first = log.begin_round(sitting, GOAL, AT.later(1))
        second = log.begin_round(sitting, replace(GOAL, from_hz=None), AT.later(5))
        log.add_event(EventKind.PAUSED, AT.later(2), sitting)
        log.end_round(first, won=True)
        log.add_note(sitting, PLAIN, AT.later(3), Marks(in_round=True, try_number=1), first)
        log.add_note(sitting, PLAIN, AT.later(4), Marks(in_round=True), first)
        log.add_note(sitting, PLAIN, AT.later(4.5), Marks(), first)
        assert log.rounds(0, 1e11) == [
            RoundRow(first, GOAL, AT.later(1), True),
            RoundRow(second, replace(GOAL, from_hz=None), AT.later(5), None),
        ]
        assert log.rounds(0, AT.wall_s + 5)[-1].round_id == first
        assert log.events(0, 1e11) == [
            EventRow(EventKind.PEDAL_STUCK, "left", AT),
            EventRow(EventKind.PAUSED, None, AT.later(2)),
        ]
        assert [row.round_id for row in log.notes(0, 1e11)] == [first, first, None]
        with pytest.raises(LogbookError, match="00000001-99"):
            log.end_round("00000001-99", won=False)


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
    _logged(path, PLAIN)


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
    _logged(path, PLAIN)
    assert path.exists()
    with LogReader(path) as log:
        assert len(log.notes(0, 1e11)) == 1


def test_a_note_takes_under_200_bytes_with_its_index(path: Path) -> None:
    with Logbook(path, "north room") as log:
        sitting = _begun(log)
        with log._db.atomic():  # one commit: the size does not depend on it
            for n in range(3000):
                note = FULL if n % 3 == 0 else replace(FULL, shift=None, slide_s=None)
                note_id = log.add_note(sitting, note, AT.later(2 * n))
                if n % 5 == 0:
                    log.add_call(note_id, Call.FLAT, AT.later(2 * n + 1))
    assert path.stat().st_size / 3000 < 200


def test_a_filled_log_holds_what_was_put_in(path: Path) -> None:
    fill(path, notes_a_day=29)
    with LogReader(path) as log:
        rows = log.notes(0, 1e11)
    assert len(rows) == 290
    assert sum(row.struck for row in rows) == 10
    assert [row.ended_at.wall_s for row in rows] == sorted(row.ended_at.wall_s for row in rows)
    assert heard("A3", 0.0).landing_hz == 220.0
