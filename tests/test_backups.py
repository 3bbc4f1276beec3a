"""Backups, bringing them back, and forgetting somebody in all of them."""

import os
import sqlite3
import struct
from dataclasses import replace
from pathlib import Path

import pytest

from appliance.__main__ import main
from appliance.log.backups import (
    BackupError,
    back_up,
    backups_in,
    clean,
    copy_to_stick,
    made_at,
    note_erasures,
    offer,
    restore,
)
from appliance.log.keeping import KeptLog, logs_aside
from appliance.log.logbook import Logbook
from appliance.log.people import People, Role
from appliance.log.reader import LogReader
from appliance.log.schema import SCHEMA_VERSION, STEPS
from appliance.log.upkeep import Erasure, Upkeep
from appliance.vocabulary import Call, LogbookError
from tests.log_rows import PLAIN, fill, instant
from tests.traces import traces

AT = instant(2026, 2, 9)
NIGHT_S = AT.wall_s + 36000.0
MARKED_HZ = 229.8765432101  # of the one who will ask to be forgotten


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "room.db"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "backups"


def _notes(path: Path) -> list[str]:
    with LogReader(path) as log:
        return sorted(row.note_id for row in log.notes(0.0, 1e12))


def _sitting(log: Logbook, player: str | None, hz: float, notes: int = 3) -> list[str]:
    sitting = log.begin_sitting(AT, instrument="viola", a4_hz=440.0, player=player)
    note = replace(PLAIN, landing_hz=hz, settled_hz=hz)
    ids = [log.add_note(sitting, note, AT.later(n)) for n in range(notes)]
    log.add_call(ids[0], Call.FLAT, AT.later(9))
    log.end_sitting(sitting, AT.later(10))
    return ids


def _two_players(path: Path) -> tuple[str, str]:
    """A log with a sitting each of two people, and the ids of both."""
    with People(path, "north room") as people:
        wren = people.add("wren-of-the-hills", "270451", Role.PLAYER, AT.wall_s).person_id
        lark = people.add("lark", "846013", Role.PLAYER, AT.wall_s).person_id
    with Logbook(path, "north room") as log:
        for _ in range(12):
            _sitting(log, wren, MARKED_HZ)
            _sitting(log, lark, 440.0)
    return wren, lark


def test_a_backup_holds_the_log_as_it_was_while_a_room_goes_on(path: Path, folder: Path) -> None:
    with KeptLog(path, "north room", "") as log:
        before = _sitting(log, None, 220.0)
        backup = back_up(path, folder, NIGHT_S, 14)
        _sitting(log, None, 220.0)
    assert _notes(backup) == before and len(_notes(path)) == 6
    assert made_at(backup).timestamp() == NIGHT_S
    assert "bring" in offer(folder) or "brought back" in offer(folder)
    with sqlite3.connect(backup) as raw:
        assert raw.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    assert not list(folder.glob("*-wal")) and not list(folder.glob("*.making"))


def test_an_older_log_is_backed_up_as_it_is_and_brought_up_to_date_when_restored(
    path: Path, folder: Path
) -> None:
    with sqlite3.connect(path) as old:
        old.executescript(STEPS[0])
        old.execute("PRAGMA user_version = 1")
        old.execute("INSERT INTO room VALUES (1, 'north room', 0)")
    old.close()
    before = path.read_bytes()
    backup = back_up(path, folder, NIGHT_S, 14)
    assert path.read_bytes() == before
    with sqlite3.connect(backup) as copy:
        assert copy.execute("PRAGMA user_version").fetchone() == (1,)
    copy.close()
    restore(backup, path, folder)
    with sqlite3.connect(path) as new:
        assert new.execute("PRAGMA user_version").fetchone() == (SCHEMA_VERSION,)
    new.close()


def test_fourteen_nights_are_kept(path: Path, folder: Path) -> None:
    fill(path, notes_a_day=2)
    made = [back_up(path, folder, NIGHT_S + 86400.0 * night, 14) for night in range(17)]
    assert backups_in(folder) == made[3:]
    with pytest.raises(BackupError, match="already"):
        back_up(path, folder, NIGHT_S + 86400.0 * 16, 14)
    assert backups_in(folder) == made[3:]


def test_a_clock_that_starts_in_the_past_makes_a_backup_that_stays(
    tmp_path: Path, path: Path, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Fourteen good nights, then a room without network says 1970: its copy is the oldest name."""
    fill(path, notes_a_day=2)
    nights = [back_up(path, folder, NIGHT_S + 86400.0 * night, 14) for night in range(14)]
    stick = tmp_path / "stick"
    stick.mkdir()
    monkeypatch.setattr("os.path.ismount", lambda there: there == stick)
    for night in nights:
        copy_to_stick(night, stick, 14)
    past = back_up(path, folder, 9000.0, 14)
    assert backups_in(folder) == [past, *nights[1:]]
    copied = copy_to_stick(past, stick, 14)
    assert copied is not None and copied.exists() and len(backups_in(copied.parent)) == 14
    alone = back_up(path, folder, 9001.0, 1)
    assert backups_in(folder) == [alone]


def test_a_damaged_log_becomes_no_backup(path: Path, folder: Path) -> None:
    fill(path, notes_a_day=20)
    good = back_up(path, folder, NIGHT_S, 14)
    content = bytearray(path.read_bytes())
    content[4096:20480] = os.urandom(16384)
    path.write_bytes(content)
    with pytest.raises(LogbookError, match="damaged"):
        back_up(path, folder, NIGHT_S + 86400.0, 14)
    assert backups_in(folder) == [good] and path.read_bytes() == content


def test_no_room_for_a_backup_is_said(
    path: Path, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fill(path, notes_a_day=2)
    monkeypatch.setattr("shutil.disk_usage", lambda _: type("Usage", (), {"free": 1000}))
    with pytest.raises(BackupError, match="MB are needed"):
        back_up(path, folder, NIGHT_S, 14)
    assert backups_in(folder) == []


def test_a_backup_comes_back_and_what_was_logged_since_is_kept(path: Path, folder: Path) -> None:
    with KeptLog(path, "north room", "") as log:
        first = _sitting(log, None, 220.0)
    backup = back_up(path, folder, NIGHT_S, 14)
    with KeptLog(path, "north room", "") as log:
        second = _sitting(log, None, 230.0)
        log.strike(first[0])
    before = path.read_bytes()
    aside = restore(backup, path, folder)
    assert aside is not None and aside.read_bytes() == before
    assert _notes(path) == sorted(first + second)
    with LogReader(path) as log_read:
        assert [row.note_id for row in log_read.notes(0.0, 1e12) if row.struck] == first[:1]
    with KeptLog(path, "north room", "") as log:
        third = _sitting(log, None, 230.0)
    assert len({*first, *second, *third}) == 9


def test_a_damaged_log_its_new_one_and_the_backup_come_together(path: Path, folder: Path) -> None:
    with KeptLog(path, "north room", "") as log:
        first = _sitting(log, None, 220.0)
    backup = back_up(path, folder, NIGHT_S, 14)
    path.write_bytes(os.urandom(20000))  # the card has forgotten
    with KeptLog(path, "north room", offer(folder)) as log:
        assert log.set_aside is not None and "'groundnote restore'" in str(log.notice)
        second = _sitting(log, None, 230.0)
    restore(backup, path, folder)
    assert _notes(path) == sorted(first + second)
    assert len({name.split("-")[0] for name in _notes(path)}) == 2  # two counters, no collision
    with KeptLog(path, "north room", "") as log:
        third = _sitting(log, None, 230.0)
        assert third[0].split("-")[0] == first[0].split("-")[0]
    assert len(logs_aside(path)) == 2


def test_a_pin_changed_since_stays_changed_and_a_nickname_taken_again_is_nobodys(
    path: Path, folder: Path
) -> None:
    wren, _ = _two_players(path)
    backup = back_up(path, folder, NIGHT_S, 14)
    with People(path, "north room") as people:
        people.set_pin(wren, "918273", given=False)
    restore(backup, path, folder)
    with People(path, "north room") as people:
        assert people.right_pin("wren-of-the-hills", "918273") is not None
        assert people.right_pin("wren-of-the-hills", "270451") is None
    path.unlink()  # and everything is lost but the backup
    with People(path, "north room") as people:
        other = people.add("lark", "564738", Role.PLAYER, AT.wall_s).person_id
    with Logbook(path, "north room") as log:
        _sitting(log, other, 440.0)
    restore(backup, path, folder)
    with People(path, "north room") as people:
        assert people.right_pin("lark", "564738") is None
    with LogReader(path) as log_read:
        rows = log_read.notes(0.0, 1e12)
    assert sum(row.sitting.player is None for row in rows) == 3
    assert len(rows) == 75


def test_a_room_that_runs_is_not_restored(path: Path, folder: Path) -> None:
    with KeptLog(path, "north room", "") as log:
        _sitting(log, None, 220.0)
        backup = back_up(path, folder, NIGHT_S, 14)
        with pytest.raises(LogbookError, match="stop the room"):
            restore(backup, path, folder)
        _sitting(log, None, 220.0)
    assert len(_notes(path)) == 6


@pytest.mark.parametrize("content", [None, b"", b"a letter" * 2000])
def test_what_is_no_backup_changes_nothing(path: Path, folder: Path, content: bytes | None) -> None:
    fill(path, notes_a_day=2)
    before = path.read_bytes()
    folder.mkdir()
    file = folder / "room-20260209T020000Z.db"
    if content is not None:
        file.write_bytes(content)
    with pytest.raises((BackupError, LogbookError)):
        restore(file, path, folder)
    assert path.read_bytes() == before and logs_aside(path) == []


def _signs(path: Path, wren: str) -> tuple[bytes, ...]:
    """What somebody leaves in bytes: nickname, id, hash of the PIN, pitches as SQLite keeps them.

    A REAL is a big-endian IEEE 754 number of eight bytes (SQLite's file format, section 2.1).
    """
    with sqlite3.connect(path) as raw:
        query = "SELECT pin_hash FROM person WHERE nickname = 'wren-of-the-hills'"
        (pin_hash,) = raw.execute(query).fetchone()
    raw.close()
    return (b"wren-of-the-hills", wren.encode(), pin_hash.encode(), struct.pack(">d", MARKED_HZ))


def test_nothing_of_somebody_forgotten_is_left_in_any_byte(
    tmp_path: Path, path: Path, folder: Path
) -> None:
    wren, lark = _two_players(path)
    signs = _signs(path, wren)
    back_up(path, folder, NIGHT_S, 14)
    with KeptLog(path, "north room", "") as log:
        _sitting(log, wren, MARKED_HZ)
        assert len(traces(tmp_path, signs)) >= 8  # in the log, what waits beside it and the backup
        erasure = Erasure(wren, NIGHT_S)
        with Upkeep(path) as upkeep:
            upkeep.forget(erasure)
        assert clean(backups_in(folder), [erasure]) == []
        assert traces(tmp_path, signs) == []
        assert {row.sitting.player for row in log.notes(0.0, 1e12)} == {lark}
        assert len(log.notes(0.0, 1e12)) == 36
    for file in (path, *backups_in(folder)):
        with Upkeep(file) as copy:
            copy.check_sound()
            assert [one.person_id for one in copy.erasures()] == [wren]
            assert copy.counts() == {"sitting": 12, "note": 36, "call": 12}


def test_who_was_forgotten_stays_so_after_a_restore(
    tmp_path: Path, path: Path, folder: Path
) -> None:
    wren, _ = _two_players(path)
    signs = _signs(path, wren)
    backup = back_up(path, folder, NIGHT_S, 14)
    old = backup.read_bytes()
    with Upkeep(path) as log:
        log.forget(Erasure(wren, NIGHT_S))
        note_erasures(folder, log.erasures())
    backup.write_bytes(old)  # one that lay in a drawer
    path.unlink()  # and the log is lost
    restore(backup, path, folder)
    with Upkeep(path) as log:
        assert not log.knows(wren) and log.counts()["sitting"] == 12
    backup.unlink()
    assert traces(tmp_path, signs) == []


def test_the_night_cleans_copies_and_deletes_what_is_too_old(
    tmp_path: Path, path: Path, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    wren, _ = _two_players(path)
    signs = _signs(path, wren)
    back_up(path, folder, NIGHT_S, 14)
    with Upkeep(path) as log:
        log.forget(Erasure(wren, NIGHT_S))  # the page asked; the backups follow at night
    monkeypatch.setattr("appliance.backup.kernel_clock_synchronised", lambda: True)
    monkeypatch.setattr("time.time", lambda: NIGHT_S + 300 * 86400.0)
    assert main(["backup", "--nightly", "--log", str(path)]) == 0
    assert traces(tmp_path, signs) == [] and len(_notes(path)) == 36
    monkeypatch.setattr("time.time", lambda: NIGHT_S + 401 * 86400.0)
    assert main(["backup", "--nightly", "--log", str(path)]) == 0
    assert _notes(path) == [] and len(_notes(backups_in(folder)[0])) == 36


def test_a_clock_that_nobody_set_deletes_nothing(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fill(path, notes_a_day=2)
    monkeypatch.setattr("appliance.backup.kernel_clock_synchronised", lambda: False)
    monkeypatch.setattr("time.time", lambda: NIGHT_S + 5000 * 86400.0)
    assert main(["backup", "--nightly", "--log", str(path)]) == 0
    assert len(_notes(path)) == 20


def test_sittings_of_a_clock_never_set_go_with_their_neighbours(path: Path) -> None:
    undated = replace(AT, wall_s=1000.0, synchronised=False, boot_id="no clock")
    days = [AT, undated, AT.later(86400.0), replace(undated, wall_s=2000.0), AT.later(172800.0)]
    with Logbook(path, "north room") as log:
        for at in days:
            sitting = log.begin_sitting(at, instrument="viola", a4_hz=440.0)
            log.add_note(sitting, PLAIN, at)
            log.end_sitting(sitting, at.later(60.0))
    with Upkeep(path) as log:
        assert log.delete_before(AT.wall_s) == 0
        assert log.delete_before(AT.wall_s + 90000.0) == 3  # two dated ones and one between them
        assert log.counts()["note"] == 2


def test_a_stick_gets_a_copy_when_it_is_there(
    tmp_path: Path, path: Path, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fill(path, notes_a_day=2)
    backup, stick = back_up(path, folder, NIGHT_S, 14), tmp_path / "stick"
    stick.mkdir()
    assert copy_to_stick(backup, stick, 14) is None and list(stick.iterdir()) == []
    monkeypatch.setattr("os.path.ismount", lambda there: there == stick)
    copied = copy_to_stick(backup, stick, 14)
    assert copied is not None and _notes(copied) == _notes(path)


def test_logs_set_aside_are_cleaned_and_those_that_cannot_be_opened_are_named(
    tmp_path: Path, path: Path, folder: Path
) -> None:
    wren, _ = _two_players(path)
    signs = _signs(path, wren)
    backup = back_up(path, folder, NIGHT_S, 14)
    restore(backup, path, folder)
    (replaced,) = logs_aside(path)
    broken = path.with_name("room.damaged-20260101T000000Z.db")
    broken.write_bytes(b"wren-of-the-hills" * 300)
    erasure = Erasure(wren, NIGHT_S)
    with Upkeep(path) as log:
        log.forget(erasure)
    assert clean([*backups_in(folder), *logs_aside(path)], [erasure]) == [broken]
    broken.unlink()
    assert traces(tmp_path, signs) == [] and len(_notes(replaced)) == 36


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can be another user")
def test_what_root_restores_belongs_to_the_room(path: Path, folder: Path) -> None:
    fill(path, notes_a_day=2)
    os.chown(path.parent, 65534, 65534)
    restore(back_up(path, folder, NIGHT_S, 14), path, folder)
    made = [path, folder, *folder.iterdir()]
    assert {(file.stat().st_uid, file.stat().st_gid) for file in made} == {(65534, 65534)}


def test_damage_found_at_night_is_set_aside_at_the_next_start(path: Path, folder: Path) -> None:
    with KeptLog(path, "north room", "") as log:
        for _ in range(20):
            _sitting(log, None, 220.0)
    content = bytearray(path.read_bytes())
    content[len(content) // 2 : -4096] = bytes(len(content) // 2 - 4096)
    path.write_bytes(content)
    assert main(["backup", "--log", str(path)]) == 2
    assert path.read_bytes() == content
    with KeptLog(path, "north room", "") as log:
        assert log.set_aside is not None
        assert path.with_name(log.set_aside).read_bytes() == content
    with KeptLog(path, "north room", "") as log:
        assert log.set_aside is None


def test_restoring_as_a_person_does_it(
    path: Path, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    fill(path, notes_a_day=2)
    words = ["--log", str(path)]
    assert main(["restore", *words]) == 0
    assert capsys.readouterr().out == "No backup yet.\n"
    assert main(["backup", *words]) == 0
    before = _notes(path)
    path.unlink()
    assert main(["restore", *words]) == 0 and str(folder) in capsys.readouterr().out
    assert main(["restore", "last", *words]) == 0
    assert _notes(path) == before
    assert main(["restore", "nothing.db", *words]) == 2
    assert "lists what there is" in capsys.readouterr().err
