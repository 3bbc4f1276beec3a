"""The demo: an invented player practises two weeks, faster than real time, heard by the real ear.

Drone, simulated room, ear and log are wired as in the daemon; nothing gets into the log but what
was heard. In the end stands what was planted beside what the log found.
"""

import argparse
import multiprocessing
import signal
from concurrent.futures import ProcessPoolExecutor, wait
from dataclasses import dataclass, replace
from datetime import date
from multiprocessing.sharedctypes import Synchronized
from pathlib import Path

from tqdm import tqdm

from appliance.demo_player import NICKNAME, PlannedSitting, two_weeks
from appliance.demo_report import comparison
from appliance.devices.clock import SimulatedClock
from appliance.devices.simulated_player import SimulatedPlayer
from appliance.devices.simulated_room import SimulatedRoom
from appliance.hearing.ear import Ear
from appliance.instruments import find_instrument
from appliance.log.logbook import Logbook
from appliance.log.logfile import NoLogYetError
from appliance.log.reader import LogReader
from appliance.practice.calls import Calls
from appliance.practice.drone import Drone
from appliance.practice.pedalboard import Action, Gesture, Heard, Pedalboard, action_of
from appliance.settings import Settings
from appliance.tuning import note_hz
from appliance.vocabulary import Call, Event, Instant, LogbookError, NoteEnded

ROOM = "demo"  # by this name and the player's a log is known to be one of ours
SAMPLE_RATE_HZ = 24000.0  # what the ear works at: nothing is gained above
_BLOCK_FRAMES = 2400
_CALLS = {
    Action.CALL_FLAT: Call.FLAT,
    Action.CALL_IN_TUNE: Call.IN_TUNE,
    Action.CALL_SHARP: Call.SHARP,
}


@dataclass(frozen=True, slots=True)
class Called:
    """A call by foot, ``at_s`` seconds after the ear began to listen."""

    call: Call
    at_s: float


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of ``groundnote demo``."""
    parser.add_argument(
        "--log",
        type=Path,
        default=Path("build/groundnote-demo.db"),
        metavar="FILE",
        help="where the demo's log goes; a demo log there is made anew (default: %(default)s)",
    )
    parser.add_argument("--seed", type=int, default=1, help="another player, another two weeks")
    parser.add_argument("--quick", action="store_true", help="only two short sittings")


def run(args: argparse.Namespace) -> int:
    """Play, hear, log, compare; return the exit status.

    Raises LogbookError when ``args.log`` is a file that no demo has made.
    """
    settings = replace(Settings(), room=replace(Settings().room, name=ROOM))
    _refuse_foreign(args.log)
    planned = two_weeks(settings, date.today(), args.seed, quick=args.quick)
    making = args.log.with_name(args.log.name + ".making")
    args.log.parent.mkdir(parents=True, exist_ok=True)
    _remove(making)
    with Logbook(making, ROOM) as log:
        _practise(settings, planned, log)
        first, last = log.span() or (0.0, 0.0)
        rows = log.notes(first, last + 1.0)
    _remove(args.log)
    making.replace(args.log)
    print(comparison(planned, rows, settings))
    print(f"\nThe log is {args.log}")
    return 0


def _refuse_foreign(path: Path) -> None:
    """Raise LogbookError unless ``path`` is free or holds nothing but a demo."""
    try:
        with LogReader(path) as reader:
            span = reader.span()
            rows = reader.notes(span[0], span[1] + 1.0) if span else []
            owners = {(row.sitting.room, row.sitting.player) for row in rows}
    except NoLogYetError:
        return
    if owners != {(ROOM, NICKNAME)}:
        raise LogbookError(
            f"{path} is not a log that the demo has made and was left as it is: "
            "name another file with --log."
        )


def _remove(path: Path) -> None:
    for suffix in ("", "-wal", "-shm"):
        path.with_name(path.name + suffix).unlink(missing_ok=True)


def _practise(settings: Settings, planned: list[PlannedSitting], log: Logbook) -> None:
    """Hear the sittings in two processes; this one alone writes, in order."""
    spawn = multiprocessing.get_context("spawn")
    heard_s = spawn.Value("d", 0.0)
    total_s = round(sum(plan.score.duration_s for plan in planned))
    clock = SimulatedClock(planned[0].begins.timestamp(), monotonic_s=3600.0, boot_id=ROOM)
    with (
        ProcessPoolExecutor(2, spawn, initializer=_count_in, initargs=(heard_s,)) as pool,
        tqdm(total=total_s, unit="s", desc=f"{NICKNAME} practises") as bar,
    ):
        futures = [pool.submit(hear_sitting, settings, plan) for plan in planned]
        try:
            for plan, future in zip(planned, futures, strict=True):
                while wait([future], timeout=0.2).not_done:
                    bar.update(min(total_s, round(heard_s.value)) - bar.n)
                clock.advance(plan.begins.timestamp() - clock.now().wall_s)
                write_sitting(log, settings, clock.now(), future.result())
        finally:
            pool.shutdown(cancel_futures=True)
        bar.update(total_s - bar.n)


_heard_s: "Synchronized[float] | None" = None  # of all processes, for the progress bar


def _count_in(heard_s: "Synchronized[float]") -> None:
    global _heard_s  # noqa: PLW0603 - shared memory reaches a worker only while it starts
    _heard_s = heard_s
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the parent to answer


def hear_sitting(settings: Settings, plan: PlannedSitting) -> list[Event | Called]:
    """Play one sitting in the simulated room; return what was heard and called, in order."""
    settings = replace(settings, drone=replace(settings.drone, note=plan.drone))
    sitting = _Sitting(settings, plan)
    entries: list[Event | Called] = []
    while not sitting.player.finished:
        entries += sitting.block()
    return entries + sitting.ear.finish()


class _Sitting:
    """The devices and rooms of one sitting, wired for one block after the other."""

    def __init__(self, settings: Settings, plan: PlannedSitting) -> None:
        instrument = find_instrument(settings.room.instrument)
        lowest_hz = note_hz(instrument.lowest, settings.room.a4_hz)
        self.player = SimulatedPlayer(plan.score, lowest_hz, SAMPLE_RATE_HZ, plan.seed)
        self.ear = Ear(settings, instrument, SAMPLE_RATE_HZ)
        self._room = SimulatedRoom(self.player, SAMPLE_RATE_HZ, plan.seed)
        self._drone = Drone(settings.drone, SAMPLE_RATE_HZ, a4_hz=settings.room.a4_hz)
        self._board = Pedalboard(settings.pedals)
        self._now_s = 0.0

    def block(self) -> list[Event | Called]:
        """Let one block pass through feet, drone, room and ear."""
        entries: list[Event | Called] = []
        for gesture in self._gestures():
            entries += self._obey(gesture)
        sent = self._drone.sound(_BLOCK_FRAMES)
        entries += self.ear.hear(self._room.exchange(sent), sent)
        block_s = _BLOCK_FRAMES / SAMPLE_RATE_HZ
        self._now_s += block_s
        if _heard_s is not None:
            with _heard_s.get_lock():
                _heard_s.value += block_s
        return entries

    def _gestures(self) -> list[Gesture]:
        gestures: list[Gesture] = []
        for move in self.player.presses_due(self._now_s):
            edge = self._board.press if move.down else self._board.release
            gestures += edge(move.pedal, move.at_s)
        return gestures + self._board.tick(self._now_s)

    def _obey(self, gesture: Gesture) -> list[Called]:
        action = action_of(gesture, Heard.SOUNDING if self._drone.sounding else Heard.SILENT)
        if action is Action.START_DRONE:
            self._drone.start()
        elif action is Action.STOP_DRONE:
            self._drone.stop()
        return [Called(_CALLS[action], gesture.at_s)] if action in _CALLS else []


def write_sitting(
    log: Logbook, settings: Settings, zero: Instant, entries: list[Event | Called]
) -> None:
    """Append one sitting; ``zero`` is the moment the ear began to listen."""
    sitting_id = log.begin_sitting(
        zero, instrument=settings.room.instrument, a4_hz=settings.room.a4_hz, player=NICKNAME
    )
    calls, note_ids, last = Calls(), list[str](), zero

    def settle(until_s: float) -> None:
        while calls.due(until_s) is not None:
            pass  # nobody waits for an answer

    for entry in entries:
        if isinstance(entry, Called):
            at = zero.later(entry.at_s)
            settle(at.monotonic_s)
            calls.give(entry.call, at)
        elif isinstance(entry, NoteEnded):
            began, last = zero.later(entry.note.start_s), zero.later(entry.note.end_s)
            settle(last.monotonic_s)
            note_ids.append(log.add_note(sitting_id, entry.note, last))
            calls.note_ended(len(note_ids) - 1, began.monotonic_s, last.monotonic_s)
        else:
            calls.note_landed(zero.later(entry.start_s).monotonic_s)
        for key, called in calls.to_log():
            if called is None:
                log.take_back_call(note_ids[key], last)
            else:
                log.add_call(note_ids[key], called.call, called.at)
    settle(float("inf"))
    log.end_sitting(sitting_id, last)
