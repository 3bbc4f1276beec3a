"""The log is durable, and several read and write it at once."""

import multiprocessing
import signal
import sqlite3
import subprocess
import sys
import textwrap
import threading
import time
from pathlib import Path

import pytest

from appliance.log import logfile
from appliance.log.logbook import Logbook
from appliance.log.reader import LogReader
from appliance.vocabulary import (
    LogbookError,
)
from tests.log_rows import PLAIN
from tests.logged import AT, FULL, begun, logged


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "room.db"


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
        sitting = begun(log)
        took_s = []
        for n in range(50):
            began = time.perf_counter()
            log.add_note(sitting, FULL, AT.later(n))
            took_s.append(time.perf_counter() - began)
    assert max(took_s) < 1.0


def test_a_reader_sees_what_a_writer_has_committed_and_stops_nobody(path: Path) -> None:
    with Logbook(path, "north room") as log:
        sitting = begun(log)
        log.add_note(sitting, PLAIN, AT)
        with LogReader(path) as reader:
            assert len(reader.notes(0, 1e11)) == 1
            log.add_note(sitting, PLAIN, AT.later(1))
            assert len(reader.notes(0, 1e11)) == 2


def test_a_reader_cannot_write(path: Path) -> None:
    logged(path, PLAIN)
    before = path.read_bytes()
    with LogReader(path) as log, pytest.raises(sqlite3.OperationalError, match="readonly"):
        log._db.execute("UPDATE note SET struck = 1")
    assert path.read_bytes() == before


def test_one_book_may_be_written_from_several_threads(path: Path) -> None:
    with Logbook(path, "north room") as log:
        sitting = begun(log)
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
        sitting = begun(log)
        for _ in range(notes):
            log.add_note(sitting, PLAIN, AT)


def test_two_processes_wait_for_each_other(path: Path) -> None:
    logged(path)
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
        sitting = begun(log)
        holder = sqlite3.connect(path, isolation_level=None)
        holder.execute("BEGIN IMMEDIATE")
        with pytest.raises(LogbookError, match=r"cannot be written \(database is locked\)"):
            log.add_note(sitting, PLAIN, AT)
        holder.execute("ROLLBACK")
        holder.close()
        note_id = log.add_note(sitting, PLAIN, AT)
        assert [row.note_id for row in log.notes(0, 1e11)] == [note_id]
