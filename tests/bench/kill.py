"""``python -m tests.bench.kill``: the room is killed again and again while somebody plays.

Every life is the real room (ear, desk, log on disk) on one log, with a player of plain bowed-like
notes in the place of the sound card, and ends by SIGKILL at a random moment: some before the log is
open, most while notes are heard and written. A witness in another process is told when each note
has ended, is handed to the log, and is in it; afterwards the log itself is asked. Lives are forked
from a process in which everything is imported, so they begin at once. Last results:
``tests/bench/KILL.md``.
"""

import argparse
import os
import platform
import random
import select
import signal
import struct
import sys
import tempfile
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from tqdm import tqdm

from appliance.daemon import Room
from appliance.devices.blocks import Samples
from appliance.devices.clock import SystemClock
from appliance.devices.paced import PacedSound
from appliance.log.keeping import KeptLog
from appliance.log.reader import LogReader
from appliance.log.records import UNMARKED, EventKind, Marks
from appliance.log.writer import LogWriter, Strike
from appliance.settings import Settings
from appliance.vocabulary import HeardNote, Instant

PROMISED_S = 1.0  # a note that ended longer ago is in the log
LIVES_S = (0.02, 6.0)
NOTE_S, REST_S = 0.4, 0.12
ROW = struct.Struct("=cdd")  # kind, the note's end, now: both s on the monotonic clock


@dataclass
class Witness:
    """What was told of all lives, and what was found afterwards."""

    handed: dict[float, float] = field(default_factory=dict)  # a note's end: when it was handed on
    kept: dict[float, float] = field(default_factory=dict)  # a note's end: when it was committed
    lost: list[float] = field(default_factory=list)  # ends of notes that should be in the log
    lives: int = 0
    owed: int = 0


class Player:
    """Plain notes one after the other, straight into the microphone."""

    def __init__(self, seed: int, rate_hz: float) -> None:
        self._rng = random.Random(seed)
        self._rate_hz = rate_hz
        self._ahead = np.zeros(0, np.float32)

    def exchange(self, sent: Samples) -> Samples:
        """Return what the microphone hears, as long as what was sent."""
        while self._ahead.size < sent.size:
            self._ahead = np.concatenate([self._ahead, self._note()])
        now, self._ahead = self._ahead[: sent.size], self._ahead[sent.size :]
        return now

    def _note(self) -> Samples:
        hz = 220.0 * 2.0 ** (self._rng.randrange(24) / 12.0)
        t = np.arange(round(NOTE_S * self._rate_hz)) / self._rate_hz
        tone = sum(np.sin(2.0 * np.pi * k * hz * t + k * k) / k for k in range(1, 9))
        envelope = np.minimum(1.0, np.minimum(t / 0.03, (NOTE_S - t) / 0.05))
        rest = np.zeros(round(REST_S * self._rate_hz))
        return np.concatenate([0.1 * envelope * tone, rest]).astype(np.float32)


def live(log_path: Path, seed: int, told: int) -> None:
    """Be the room until killed, telling the witness over a pipe."""

    def tell(kind: bytes, ended_s: float) -> None:
        os.write(told, ROW.pack(kind, ended_s, time.monotonic()))

    class TellingLog(KeptLog):
        def add_note(
            self,
            sitting_id: str,
            note: HeardNote,
            ended_at: Instant,
            marks: Marks = UNMARKED,
            round_id: str | None = None,
        ) -> str:
            note_id = super().add_note(sitting_id, note, ended_at, marks, round_id)
            tell(b"k", ended_at.monotonic_s)
            return note_id

    hand_over = LogWriter.add_note

    def add_note(
        self: LogWriter,
        note: HeardNote,
        ended_at: Instant,
        marks: Marks = UNMARKED,
        strike: Strike | None = None,
    ) -> int:
        tell(b"h", ended_at.monotonic_s)
        return hand_over(self, note, ended_at, marks, strike)

    LogWriter.add_note = add_note  # type: ignore[method-assign]
    settings = Settings()
    room = Room(
        settings,
        clock=SystemClock(),
        sound=PacedSound(Player(seed, settings.sound.sample_rate_hz), settings),
        open_logbook=lambda: TellingLog(log_path, "killed", ""),
    )
    room.serve(threading.Event())


def one_life(log_path: Path, seed: int, lives_s: float, witness: Witness) -> None:
    """Let one room live for so long, kill it, and see what it left."""
    ours, theirs = os.pipe()
    pid = os.fork()
    if pid == 0:
        os.close(ours)
        try:
            live(log_path, seed, theirs)
        finally:
            os._exit(1)
    os.close(theirs)
    rows = _listen(ours, lives_s)
    os.kill(pid, signal.SIGKILL)
    killed_s = time.monotonic()
    os.waitpid(pid, 0)
    rows += _listen(ours, 0.1)
    os.close(ours)
    _bear_witness(log_path, rows, killed_s, witness)


def _listen(pipe: int, for_s: float) -> list[tuple[bytes, float, float]]:
    """Take what is told for so long, or until nobody can tell any more."""
    until_s, told = time.monotonic() + for_s, b""
    while (left_s := until_s - time.monotonic()) > 0.0:
        if select.select([pipe], [], [], left_s)[0]:
            part = os.read(pipe, 65536)
            if not part:
                break
            told += part
    return [ROW.unpack_from(told, at) for at in range(0, len(told), ROW.size)]


def _bear_witness(
    log_path: Path, rows: list[tuple[bytes, float, float]], killed_s: float, witness: Witness
) -> None:
    handed = {ended_s: now_s for kind, ended_s, now_s in rows if kind == b"h"}
    witness.handed |= handed
    witness.kept |= {ended_s: now_s for kind, ended_s, now_s in rows if kind == b"k"}
    witness.lives += 1
    if log_path.exists() and log_path.stat().st_size:
        with LogReader(log_path) as log:
            log.check_sound()
            there = {row.ended_at.monotonic_s for row in log.notes(0.0, 1e12)}
    else:
        there = set()
    owed = [ended_s for ended_s in handed if ended_s < killed_s - PROMISED_S]
    witness.owed += len(owed)
    witness.lost += [ended_s for ended_s in owed if ended_s not in there]


def kill(times: int, log_path: Path, seed: int, show: bool = True) -> Witness:
    """Kill the room so often, on one log."""
    chance, witness = random.Random(seed), Witness()
    for number in tqdm(range(times), disable=not show):
        one_life(log_path, seed + number, chance.uniform(*LIVES_S), witness)
    return witness


def report(log_path: Path, witness: Witness) -> tuple[list[str], bool]:
    """Say what became of it all, and whether every promise was kept."""
    with LogReader(log_path) as log:
        ends = [row.ended_at.monotonic_s for row in log.notes(0.0, 1e12)]
        sittings = {row.sitting.sitting_id for row in log.notes(0.0, 1e12)}
        went_on = sum(e.kind is EventKind.WENT_ON for e in log.events(0.0, 1e12))
    to_hand_s = [now_s - ended_s for ended_s, now_s in witness.handed.items()]
    to_disk_s = [now_s - ended_s for ended_s, now_s in witness.kept.items()]
    aside = list(log_path.parent.glob("*damaged*"))
    twice = len(ends) - len(set(ends))
    lines = [
        f"killed                                     {witness.lives:6d} times",
        f"notes in the log                           {len(ends):6d}, twice: {twice}",
        f"notes that ended > {PROMISED_S:g} s before a kill      {witness.owed:6d}",
        f"  of those not in the log                  {len(witness.lost):6d}",
        f"sittings                                   {len(sittings):6d}, gone on {went_on} times",
        f"logs set aside as damaged                  {len(aside):6d}",
        _spread("from a note's end to the log's queue, s", to_hand_s),
        _spread("from a note's end to its commit, s", to_disk_s),
    ]
    kept = not witness.lost and len(sittings) == 1 and not aside and len(ends) == len(set(ends))
    return lines, kept


def _spread(what: str, seconds: list[float]) -> str:
    median, most, worst = (float(np.percentile(seconds, share)) for share in (50, 99, 100))
    return f"{what:42} median {median:.3f}, 99th percentile {most:.3f}, worst {worst:.3f}"


def main() -> int:
    """Kill as often as asked and print the report; the exit status says whether all was kept."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--times", type=int, default=200)
    parser.add_argument("--seed", type=int, default=9000)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        log_path = Path(folder) / "room.db"
        lines, kept = report(log_path, kill(options.times, log_path, options.seed))
    load = f"load average {os.getloadavg()[1]:.1f}"
    print(
        f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}, {load}"
    )
    print("\n".join(lines))
    print("every promise kept" if kept else "NOT KEPT")
    return 0 if kept else 1


if __name__ == "__main__":
    sys.exit(main())
