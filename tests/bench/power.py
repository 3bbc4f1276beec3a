"""``python -m tests.bench.power``: the power is cut, and the storage keeps only a part.

Copies of a log and its write-ahead log are damaged at random places, each in one of the ways a cut
can leave them, and opened as the room opens its log after a stop that was no clean one:

=========  ====================================================================================
tail       the write-ahead log ends somewhere in a frame: its last writes never arrived
sectors    in its last part some sectors of 512 bytes never arrived (old content, or zeros)
mid-move   cut while its pages were moved into the log: some are there, one half, others not
torn       the log itself is torn: sectors of zeros, of old pages or of noise in it
short      the log itself ends too early, or is empty
both       the log is torn and the write-ahead log ends too early
=========  ====================================================================================

The first three are what honest storage can do: nothing that had been committed before the last
whole frame may be missing then. The others lie; the log then opens and holds nothing that was not
written, or is set aside byte for byte and a new one goes on. Last results: ``tests/bench/POWER.md``
"""

import argparse
import os
import platform
import random
import shutil
import sqlite3
import sys
import tempfile
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from tqdm import tqdm

from appliance.log.keeping import KeptLog
from appliance.log.logbook import Logbook
from appliance.log.records import EventKind
from appliance.vocabulary import Call
from tests.log_rows import PLAIN, instant

AT = instant(2026, 2, 9)
SECTOR = 512
PAGE = 4096
FRAME_HEADER, WAL_HEADER = 24, 32  # bytes; SQLite's file format, section 4.1
WAYS = ("tail", "sectors", "mid-move", "torn", "short", "both")
HONEST = WAYS[:3]
Notes = dict[str, float]  # id: when it ended (wall, s)


@dataclass(frozen=True)
class Scene:
    """A log in the middle of its life: the file, what waits beside it, and what it holds."""

    log: bytes
    waiting: bytes
    notes: tuple[tuple[int, Notes], ...]  # length of what waits: the notes committed by then
    everything: Notes


def scene(folder: Path, moved: int, waiting: int) -> Scene:
    """Write notes, move them into the log, and write more, which wait beside it."""
    path = folder / f"scene-{moved}.db"
    beside = path.with_name(path.name + "-wal")
    everything: Notes = {}
    committed: list[tuple[int, Notes]] = []
    with Logbook(path, "north room") as log:
        sitting = log.begin_sitting(AT, instrument="viola", a4_hz=440.0)
        for number in range(moved + waiting):
            if number == moved:
                log._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
                log._db.execute("PRAGMA wal_autocheckpoint = 0")
                committed.append((0, dict(everything)))
            at = AT.later(2.0 * number)
            note_id = log.add_note(sitting, PLAIN, at)
            everything[note_id] = at.wall_s
            if number >= moved:
                committed.append((beside.stat().st_size, dict(everything)))
            if number % 7 == 3:
                log.add_call(note_id, Call.FLAT, at)
        content = Scene(path.read_bytes(), beside.read_bytes(), tuple(committed), everything)
    return content


def damage(scene: Scene, way: str, chance: random.Random) -> tuple[bytes, bytes, Notes]:
    """Return the log and what waits as a cut leaves them, and the notes that must be there."""
    log, waiting = bytearray(scene.log), bytearray(scene.waiting)
    certain = scene.everything
    if way in ("tail", "both"):
        del waiting[chance.randrange(len(waiting)) :]
        certain = _committed(scene, len(waiting))
    if way == "sectors":
        first = chance.randrange(WAL_HEADER, len(waiting))
        _tear(waiting, chance, first, (b"\0" * SECTOR,))
        certain = _committed(scene, first - SECTOR)
    if way == "mid-move":
        _move_some(log, waiting, chance)
    if way in ("torn", "both"):
        _tear(
            log,
            chance,
            0,
            (b"\0" * SECTOR, chance.randbytes(SECTOR), bytes(log[PAGE : PAGE + SECTOR])),
        )
    if way == "short":
        del log[chance.choice([0, chance.randrange(len(log))]) :]
    return bytes(log), bytes(waiting), certain if way in HONEST else {}


def _committed(scene: Scene, length: int) -> Notes:
    """Return what had been committed when the write-ahead log was so long."""
    return [notes for size, notes in scene.notes if size <= max(0, length)][-1]


def _tear(
    content: bytearray, chance: random.Random, first: int, instead: tuple[bytes, ...]
) -> None:
    """Let some sectors from a place on hold something else."""
    sectors = range(first // SECTOR, -(-len(content) // SECTOR))
    for sector in chance.sample(sectors, min(len(sectors), chance.randint(1, 4))):
        at = sector * SECTOR
        size = min(SECTOR, len(content) - at)
        content[at : at + size] = chance.choice(instead)[:size]


def _move_some(log: bytearray, waiting: bytes, chance: random.Random) -> None:
    """Move pages into the log as a checkpoint does, in its order, and stop within one of them."""
    newest = {}
    for at in range(WAL_HEADER, len(waiting) - PAGE, FRAME_HEADER + PAGE):
        number = int.from_bytes(waiting[at : at + 4], "big")
        newest[number] = bytes(waiting[at + FRAME_HEADER : at + FRAME_HEADER + PAGE])
    numbers = sorted(newest)
    whole = chance.randrange(len(numbers))
    for number in chance.sample(numbers, whole):
        _put(log, number, newest.pop(number), PAGE)
    torn = chance.choice(sorted(newest))
    _put(log, torn, newest[torn], SECTOR * chance.randrange(PAGE // SECTOR))


def _put(log: bytearray, number: int, page: bytes, size: int) -> None:
    at = (number - 1) * PAGE
    log.extend(b"\0" * (at + PAGE - len(log)))
    log[at : at + size] = page[:size]


def open_after(folder: Path, log: bytes, waiting: bytes, certain: Notes, written: Notes) -> str:
    """Open a damaged copy as the room does; return what became of it, or the fault found."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    path = folder / "room.db"
    path.write_bytes(log)
    path.with_name("room.db-wal").write_bytes(waiting)
    path.with_name("room.db.in-use").write_bytes(b"in use\n")  # the stop was no clean one
    with KeptLog(path, "north room", "There is no backup of it yet.") as book:
        aside = book.set_aside
        if aside is not None:
            book.add_event(EventKind.LOG_SET_ASIDE, AT, detail=aside)
        sitting = book.begin_sitting(AT, instrument="viola", a4_hz=440.0)
        new_id = book.add_note(sitting, PLAIN, AT.later(1e6))
        found = {row.note_id: row.ended_at.wall_s for row in book.notes(0.0, 1e12)}
        found.pop(new_id)
        book.check_sound()
        notice = book.notice
    if aside is not None:
        there = (folder / aside).read_bytes(), (folder / f"{aside}-wal").read_bytes()
        if there != (log, waiting):
            return "FAULT: what was set aside is not what was there"
        if aside not in str(notice) or certain:
            return "FAULT: set aside without a word, or without need"
        return "set aside" if not found else "FAULT: a new log with old notes"
    if not found.items() <= written.items():
        return "FAULT: holds what nobody wrote"
    return "opened" if certain.items() <= found.items() else "FAULT: a committed note is missing"


def cut(times: int, seed: int, show: bool = True) -> Counter[tuple[str, str]]:
    """Cut the power so often; count what became of the log, by way."""
    counts: Counter[tuple[str, str]] = Counter()
    chance = random.Random(seed)
    with tempfile.TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").is_dir() else None) as name:
        scenes = [scene(Path(name), moved, waiting) for moved, waiting in ((60, 40), (400, 150))]
        for number in tqdm(range(times), disable=not show):
            way, there = WAYS[number % len(WAYS)], chance.choice(scenes)
            log, waiting, certain = damage(there, way, chance)
            became = open_after(Path(name) / "cut", log, waiting, certain, there.everything)
            counts[way, became] += 1
    return counts


def main() -> int:
    """Cut the power as often as asked and print what became of the log."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--times", type=int, default=500)
    parser.add_argument("--seed", type=int, default=9000)
    options = parser.parse_args()
    counts = cut(options.times, options.seed)
    print(f"{platform.machine()}, SQLite {sqlite3.sqlite_version}, {os.uname().sysname}")
    for (way, became), count in sorted(counts.items(), key=lambda item: WAYS.index(item[0][0])):
        print(f"{way:10} {became:50} {count:4d}")
    return int(any("FAULT" in became for _, became in counts))


if __name__ == "__main__":
    sys.exit(main())
