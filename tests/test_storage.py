"""Storage that fails: full, read-only, locked, forbidden. Practice goes on and nothing is lost.

The full and the read-only disk are real: a small file system in memory, mounted for the test. Where
a test may not mount one, SQLite's own limit of pages stands in for the full disk.
"""

import os
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from appliance.log import jobs, logfile
from appliance.log.keeping import KeptLog, logs_aside
from appliance.log.logbook import Logbook
from appliance.log.logfile import DamagedLogError
from appliance.log.reader import LogReader
from appliance.log.records import EventKind
from appliance.log.writer import LogWriter
from appliance.vocabulary import Call, Instant, LogbookError, NoteEnded
from tests.bench import power
from tests.log_rows import PLAIN, instant
from tests.soundcard import wait_for
from tests.stage import LEFT, MIDDLE, build, note

AT = instant(2026, 2, 9)
LOCKED_S = 60.0


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(logfile, "BUSY_TIMEOUT_S", 0.05)
    monkeypatch.setattr(jobs, "TRY_AGAIN_S", 0.05)


def soon(look: Callable[[], object]) -> None:
    """Wait until it is so; a machine that is busy with other things may take its time."""
    wait_for(look, 60.0)


def writer_of(path: Path) -> LogWriter:
    writer = LogWriter(lambda: KeptLog(path, "north room", ""), lambda: AT.monotonic_s)
    writer.start()
    writer.tick(AT)
    return writer


def play(writer: LogWriter, first: int, notes: int) -> None:
    for number in range(first, first + notes):
        key = writer.add_note(PLAIN, AT.later(float(number)))
        writer.add_call(key, Call.FLAT, AT.later(number + 0.5))


def begin(writer: LogWriter, at: Instant = AT, player: str | None = None) -> None:
    writer.begin_sitting(at, instrument="viola", a4_hz=440.0, player=player)


def ends_s(path: Path) -> list[float]:
    with LogReader(path) as log:
        rows = log.notes(0.0, 1e12)
    assert all(row.call is Call.FLAT for row in rows)
    return [round(row.ended_at.wall_s - AT.wall_s, 3) for row in rows]


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    disk = tmp_path / "disk"
    disk.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=8m", "none", str(disk)]
    if os.geteuid() != 0 or subprocess.run(mount, check=False, capture_output=True).returncode:
        pytest.skip("this machine lets no test mount a file system")
    yield disk
    subprocess.run(["umount", "--lazy", str(disk)], check=True)


def test_a_full_disk_keeps_notes_waiting_until_there_is_room(small_disk: Path) -> None:
    path, ballast = small_disk / "room.db", small_disk / "ballast"
    writer = writer_of(path)
    begin(writer)
    play(writer, 0, 5)
    soon(lambda: writer.report().waiting == 0)
    with ballast.open("wb", buffering=0) as file, pytest.raises(OSError, match="No space left"):
        while True:
            file.write(b"x" * 4096)
    play(writer, 5, 60)
    soon(lambda: writer.report().trouble)
    assert "free space" in str(writer.report().trouble) and writer.report().waiting > 0
    assert writer.alive
    ballast.unlink()
    soon(lambda: writer.report().waiting == 0)
    assert writer.report().trouble is None and writer.stop(60.0) == 0
    assert ends_s(path) == [float(number) for number in range(65)]
    assert logs_aside(path) == []


def test_a_full_disk_by_sqlites_own_limit(tmp_path: Path) -> None:
    path = tmp_path / "room.db"

    class SmallLog(KeptLog):
        pages = 1  # which SQLite takes for as many as there are

        def __init__(self) -> None:
            super().__init__(path, "north room", "")
            self._db.execute(f"PRAGMA max_page_count = {self.pages}")

    writer = LogWriter(SmallLog, lambda: AT.monotonic_s)
    writer.start()
    begin(writer)
    play(writer, 0, 60)
    soon(lambda: writer.report().trouble)
    assert "is full" in str(writer.report().trouble) and 0 < writer.report().waiting < 120
    SmallLog.pages = 1000
    soon(lambda: writer.report().waiting == 0)
    assert writer.stop(60.0) == 0
    assert ends_s(path) == [float(number) for number in range(60)]


def test_a_disk_that_turns_read_only_and_back(small_disk: Path) -> None:
    path = small_disk / "room.db"
    with KeptLog(path, "north room", ""):
        pass

    def remount(how: str) -> None:
        subprocess.run(["mount", "-o", f"remount,{how}", str(small_disk)], check=True)

    remount("ro")
    writer = writer_of(path)
    begin(writer)
    play(writer, 0, 10)
    soon(lambda: writer.report().trouble)
    assert writer.report().waiting == 21 and writer.alive
    remount("rw")
    soon(lambda: writer.report().waiting == 0)
    assert writer.stop(60.0) == 0 and ends_s(path) == [float(number) for number in range(10)]


def test_a_log_locked_by_somebody_for_a_minute(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The minute passes in tries: each waits as long as SQLite would, on the test's clock."""
    path = tmp_path / "room.db"
    writer = writer_of(path)
    begin(writer)
    play(writer, 0, 1)
    soon(lambda: writer.report().waiting == 0)
    tries, opened = [0], KeptLog.__init__

    def counted(self: KeptLog, *words: object) -> None:
        tries[0] += 1
        opened(self, *words)  # type: ignore[arg-type]

    monkeypatch.setattr(KeptLog, "__init__", counted)
    locker = sqlite3.connect(path, isolation_level=None)
    locker.execute("BEGIN IMMEDIATE")
    play(writer, 1, 60)
    soon(lambda: tries[0] > LOCKED_S / 5.5)  # a try of 5 s and half a second of rest
    assert "locked" in str(writer.report().trouble) and writer.report().waiting == 120
    locker.execute("ROLLBACK")
    locker.close()
    soon(lambda: writer.report().waiting == 0)
    assert writer.stop(60.0) == 0 and ends_s(path) == [float(number) for number in range(61)]


LOCKER = """
import sqlite3, sys
log = sqlite3.connect(sys.argv[1], isolation_level=None, timeout=60.0)
log.execute("BEGIN EXCLUSIVE")
print("locked", flush=True)
sys.stdin.readline()
log.execute("ROLLBACK")
"""


def test_a_room_plays_on_while_another_process_holds_the_log_for_a_minute(tmp_path: Path) -> None:
    """Sixty notes, six calls and a drone come in that minute, which is the room's own."""
    stage = build(tmp_path, open_logbook=lambda path: KeptLog(path, "north room", ""))
    stage.room.start()
    report = stage.room._writer.report
    try:
        stage.hear(1.0, NoteEnded(note(0.0, 0.9)))
        stage.tap(MIDDLE)
        soon(lambda: report().notes_written == 1 and report().waiting == 0)
        locker = subprocess.Popen(
            [sys.executable, "-c", LOCKER, str(stage.log_path)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert locker.stdout is not None and locker.stdout.readline() == "locked\n"
        locked_s = stage.clock.now().monotonic_s
        stage.hold(MIDDLE)
        for number in range(60):
            ear_s = stage.clock.now().monotonic_s - 1000.0
            stage.hear(1.0, NoteEnded(note(ear_s, ear_s + 0.9)))
            if number % 10 == 0:
                stage.tap(LEFT)
        assert stage.clock.now().monotonic_s >= locked_s + LOCKED_S
        soon(lambda: stage.room.status()["log"]["trouble"])
        assert "locked" in stage.room.status()["log"]["trouble"]
        assert stage.room.status()["drone"]["on"] and stage.drones()[-1].sounding
        assert len(stage.rows()) == 1 and report().notes_written == 1
        assert (report().waiting, report().lost) == (66, 0)
        locker.communicate("\n", timeout=60)
        soon(lambda: report().waiting == 0)
        assert report().trouble is None and report().notes_written == 61
    finally:
        stage.room.stop()
        stage.pins.reset()
    rows = stage.rows()
    ended_s = [row.ended_at.monotonic_s for row in rows]
    assert len(rows) == 61 and ended_s == sorted(set(ended_s))
    assert [row.call for row in rows[1:]] == ([Call.FLAT] + [None] * 9) * 6
    assert len(stage.sittings()) == 1 and logs_aside(stage.log_path) == []


NOBODY = """
import os, sys
from pathlib import Path
from tests.test_storage import *
os.setgid(65534); os.setuid(65534)
path = Path(sys.argv[1])
writer = writer_of(path)
begin(writer)
play(writer, 0, 3)
soon(lambda: writer.report().trouble)
print(writer.report().trouble, flush=True)
sys.stdin.readline()
soon(lambda: writer.report().waiting == 0)
print(writer.stop(60.0), flush=True)
"""


@pytest.mark.parametrize("wrong", ["folder", "log"])
def test_wrong_permissions_are_said_and_can_be_put_right(tmp_path: Path, wrong: str) -> None:
    if os.geteuid() != 0:
        pytest.skip("only root can be another user")
    tmp_path.chmod(0o755)
    for parent in list(tmp_path.parents)[:-2]:
        parent.chmod(parent.stat().st_mode | 0o005)
    folder = tmp_path / "log"
    folder.mkdir(mode=0o755)
    path = folder / "room.db"
    if wrong == "log":
        with KeptLog(path, "north room", ""):
            pass
        folder.chmod(0o777)
    process = subprocess.Popen(
        [sys.executable, "-c", NOBODY, str(path)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        cwd=Path(__file__).parents[1],
    )
    assert process.stdout is not None and process.stdin is not None
    assert "permissions" in process.stdout.readline()
    folder.chmod(0o777)
    if path.exists():
        path.chmod(0o666)
    said, _ = process.communicate("\n", timeout=90)
    assert said.strip() == "0"
    assert ends_s(path) == [float(number) for number in range(3)]


def test_an_hour_of_notes_waits_and_what_is_beyond_is_counted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two notes a second, and a call on each, are an hour's fastest practice."""
    path = tmp_path / "room.db"
    away = [True]

    def open_log() -> Logbook:
        if away[0]:
            raise LogbookError("The card has gone.")
        return Logbook(path, "north room")

    monkeypatch.setattr(Logbook, "add_note", lambda *_: "00000001-1")  # a disk would take minutes
    monkeypatch.setattr(Logbook, "add_call", lambda *_: None)
    writer = LogWriter(open_log, lambda: AT.monotonic_s)
    writer.start()
    begin(writer)
    play(writer, 0, 7200)
    assert (writer.report().waiting, writer.report().lost) == (14401, 0)
    play(writer, 7200, 1000)
    assert writer.report().waiting == jobs.MOST_WAITING
    assert writer.report().lost == 2 * 8200 + 1 - jobs.MOST_WAITING
    writer.end_sitting(AT.later(9000.0))  # the frame is kept whatever happens
    assert writer.report().waiting == jobs.MOST_WAITING + 1
    away[0] = False
    soon(lambda: writer.report().waiting == 0)
    assert writer.stop(60.0) == 0 and writer.report().notes_written >= 7200


# -- after a crash, a cut, a card that forgets ----------------------------------------------------


def test_the_power_is_cut_sixty_times() -> None:
    counts = power.cut(60, seed=1, show=False)
    faults = [became for _, became in counts if "FAULT" in became]
    assert not faults and counts.total() == 60
    assert all(counts[way, "opened"] == 10 for way in power.HONEST)
    assert counts["short", "set aside"] >= 8  # what waits can make up for what was cut off


def test_the_room_is_killed_again_and_again() -> None:
    words = [sys.executable, "-m", "tests.bench.kill", "--times", "5", "--seed", "1"]
    root = Path(__file__).parents[1]
    ran = subprocess.run(words, cwd=root, capture_output=True, text=True, check=False)
    assert ran.returncode == 0, ran.stdout + ran.stderr
    assert "every promise kept" in ran.stdout


def test_damage_found_while_playing_begins_a_new_log_with_the_sitting_that_is_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "room.db"
    writer = writer_of(path)
    begin(writer, player="wren")
    play(writer, 0, 5)
    soon(lambda: writer.report().waiting == 0)
    waiting = path.with_name("room.db-wal").read_bytes()
    damaged = b"\0" * 100 + path.read_bytes()[100:]
    path.write_bytes(damaged)

    def stumble(log: Logbook, *_: object) -> str:
        monkeypatch.undo()  # once: SQLite comes upon what it had not in memory
        raise DamagedLogError("A page of the log is damaged.")

    monkeypatch.setattr(Logbook, "add_note", stumble)
    play(writer, 5, 5)
    soon(lambda: writer.report().waiting == 0)
    assert "set aside, untouched" in str(writer.report().notice)
    assert writer.stop(60.0) == 0
    (aside,) = logs_aside(path)
    assert aside.read_bytes() == damaged
    assert aside.with_name(f"{aside.name}-wal").read_bytes() == waiting
    with LogReader(path) as log:
        rows, events = log.notes(0.0, 1e12), log.events(0.0, 1e12)
    assert [row.sitting.player for row in rows] == ["wren"] * 5
    assert (events[0].kind, events[0].detail) == (EventKind.LOG_SET_ASIDE, aside.name)


def _cut_off(path: Path, player: str | None = None) -> str:
    """A room that was killed in a sitting; returns the sitting's id."""
    book = KeptLog(path, "north room", "")
    sitting = book.begin_sitting(AT, instrument="viola", a4_hz=440.0, player=player)
    book.add_note(sitting, PLAIN, AT.later(30.0))
    book.abandon()
    return sitting


@pytest.mark.parametrize(
    ("back_after_s", "changes", "goes_on"),
    [
        (3.0, {}, True),
        (599.0, {}, True),
        (601.0, {}, False),
        (40.0, {"boot_id": "next", "monotonic_s": 20.0}, True),
        (900.0, {"boot_id": "next", "monotonic_s": 20.0}, False),
        (40.0, {"boot_id": "next", "monotonic_s": 20.0, "synchronised": False}, False),
    ],
)
def test_a_sitting_cut_off_goes_on_when_it_is_soon_enough(
    tmp_path: Path, back_after_s: float, changes: dict[str, object], goes_on: bool
) -> None:
    path = tmp_path / "room.db"
    before = _cut_off(path, "wren")
    now = replace(AT.later(30.0 + back_after_s), **changes)  # type: ignore[arg-type]
    writer = LogWriter(lambda: KeptLog(path, "north room", ""), lambda: now.monotonic_s)
    writer.start()
    writer.tick(now)
    found = writer.cut_off(now)
    assert (found is not None) is goes_on
    if found is not None:
        assert found[0].player == "wren" and found[1].boot_id == now.boot_id
        assert now.monotonic_s - found[1].monotonic_s == pytest.approx(back_after_s)
    begin(writer, now)
    writer.add_note(PLAIN, now.later(2.0))
    writer.end_sitting(now.later(2.0))
    assert writer.stop(60.0) == 0
    with LogReader(path) as log:
        rows = log.notes(0.0, 1e12)
        kinds = [event.kind for event in log.events(0.0, 1e12)]
    assert len({row.sitting.sitting_id for row in rows}) == (1 if goes_on else 2)
    assert rows[0].sitting.sitting_id == before
    assert kinds == ([EventKind.WENT_ON] if goes_on else [])
    end_s = now.later(2.0).wall_s if goes_on else AT.later(30.0).wall_s
    ended_at = rows[0].sitting.ended_at
    assert ended_at is not None and ended_at.wall_s == pytest.approx(end_s, abs=1e-3)
    if goes_on:
        assert rows[1].sitting.player == "wren"


def test_a_sitting_that_cannot_be_ended_yet_does_not_fill_the_memory(tmp_path: Path) -> None:
    path = tmp_path / "room.db"
    _cut_off(path)
    writer = LogWriter(lambda: KeptLog(path, "north room", ""), lambda: AT.monotonic_s)
    writer.start()
    writer.tick(AT.later(31.0))
    locker = sqlite3.connect(path, isolation_level=None)
    locker.execute("BEGIN IMMEDIATE")
    for second in range(2000):
        writer.tick(AT.later(700.0 + second))
    assert writer._thread._jobs and len(writer._thread._jobs) < 5
    locker.execute("ROLLBACK")
    locker.close()
    assert writer.stop(30.0) == 0
    with LogReader(path) as log:
        (row,) = log.notes(0.0, 1e12)
    assert row.sitting.ended_at is not None and row.sitting.ended_at.wall_s == AT.wall_s + 30.0


def test_two_rooms_never_write_one_log(tmp_path: Path) -> None:
    first = KeptLog(tmp_path / "room.db", "north room", "")
    with pytest.raises(LogbookError, match="held by another"):
        KeptLog(tmp_path / "room.db", "south room", "")
    first.close()
    with KeptLog(tmp_path / "room.db", "south room", ""):
        pass


def test_a_read_through_after_every_unclean_stop_and_only_then(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "room.db"
    read: list[float] = []
    checked: Callable[[LogReader], None] = LogReader.check_sound

    def counted(self: LogReader) -> None:
        read.append(time.monotonic())
        checked(self)

    monkeypatch.setattr(LogReader, "check_sound", counted)
    for _ in range(2):
        with KeptLog(path, "north room", ""):
            pass
    assert read == [] and not path.with_name("room.db.in-use").exists()
    _cut_off(path)
    with KeptLog(path, "north room", ""):
        assert len(read) == 1
