"""A room without devices: scripted sound and ear, mock pins, a clock set by hand; a real log."""

import queue
import sqlite3
import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from gpiozero.pins.mock import MockFactory

from appliance.caretaker import Caretaker
from appliance.daemon import Room
from appliance.devices.blocks import Block, Samples, SoundReport
from appliance.devices.clock import SimulatedClock
from appliance.devices.notify import ServiceManager
from appliance.devices.pedals import FootBoard
from appliance.log.logbook import Logbook
from appliance.log.reader import LogReader
from appliance.log.records import EventRow, NoteRow, RoundRow
from appliance.practice.cues import Cue
from appliance.practice.order import CueOrder, DroneOrder, Order
from appliance.settings import Settings
from appliance.vocabulary import Event, HeardNote, Instant
from tests.log_rows import PLAIN
from tests.soundcard import wait_for

RATE_HZ = 1000.0  # of the scripted sound: one frame is a millisecond
START_S = 1.7e9
SETTINGS = Settings()


class WatchedClock(SimulatedClock):
    """Set by hand; it counts how often the feet's thread has asked for the time."""

    def __init__(self) -> None:
        super().__init__(START_S, monotonic_s=1000.0)
        self.asked_by_feet = 0

    def now(self) -> Instant:
        self.asked_by_feet += threading.current_thread().name == "feet"
        return super().now()


class ScriptedSound:
    """Hands over what the test puts in, at the time of the test's clock."""

    def __init__(self, clock: SimulatedClock) -> None:
        self.clock = clock
        self.orders: list[Order] = []
        self.blocks: queue.SimpleQueue[Block | None] = queue.SimpleQueue()
        self.stopped = False
        self.search_steps = 0
        self._asked = self._put = 0

    def start(self) -> None:
        pass

    def order(self, order: Order) -> None:
        self.orders.append(order)

    def next_block(self, timeout_s: float) -> Block | None:
        self._asked += 1
        return self.blocks.get()

    def report(self) -> SoundReport:
        return SoundReport("scripted", running=not self.stopped, search_steps=self.search_steps)

    def stop(self) -> None:
        self.stopped = True
        self.fall_silent()

    def fall_silent(self) -> None:
        """Let the room find that no block has come for a while."""
        self._hand_over(None)

    def settle(self) -> None:
        """Wait until the room has done with all that was handed over."""
        wait_for(lambda: self._asked > self._put)

    def _hand_over(self, block: Block | None) -> None:
        self._put += 1
        self.blocks.put(block)

    def pass_time(self, seconds: float, *, fresh: bool = False) -> None:
        self.clock.advance(seconds)
        silence = np.zeros(round(seconds * RATE_HZ), np.float32)
        now_s = self.clock.now().monotonic_s
        self._hand_over(Block(silence, silence, fresh, now_s, RATE_HZ))


class ScriptedEar:
    """Says what the test has written into its script, and last words when its stretch ends."""

    def __init__(self, script: list[Event], last_words: list[Event]) -> None:
        self._script = script
        self._last_words = last_words

    def hear(self, mic: Samples, sent: Samples | None = None) -> list[Event]:
        due = self._script.copy()
        self._script.clear()
        return due

    def finish(self) -> list[Event]:
        return self._last_words


def note(start_s: float, end_s: float, settled_hz: float = 220.0) -> HeardNote:
    return replace(PLAIN, start_s=start_s, end_s=end_s, settled_hz=settled_hz)


@dataclass
class Stage:
    """A running room and everything around it that the test holds."""

    clock: WatchedClock
    sound: ScriptedSound
    pins: MockFactory
    script: list[Event]
    last_words: list[Event]
    ears: int
    log_path: Path
    socket: Path
    room: Room

    def rows(self) -> list[NoteRow]:
        with LogReader(self.log_path) as log:
            return log.notes(0.0, 1e12)

    def sittings(self) -> list[dict[str, Any]]:
        with sqlite3.connect(self.log_path) as db:
            db.row_factory = sqlite3.Row
            return [dict(row) for row in db.execute("SELECT * FROM sitting ORDER BY id")]

    def hear(self, seconds: float, *events: Event, fresh: bool = False) -> None:
        """Let time pass in sound; at its end the ear says the events, and the room takes them."""
        self.script[:] = events
        self.sound.pass_time(seconds, fresh=fresh)
        self.sound.settle()

    def tap(self, *pins: int) -> None:
        self.hold(*pins, seconds=0.1)

    def hold(self, *pins: int, seconds: float = 0.7) -> None:
        for pin in pins:
            self.pins.pin(pin).drive_low()
        self.wait(seconds)
        for pin in pins:
            self.pins.pin(pin).drive_high()
        self.wait(0.05)  # past the bounce

    def wait(self, seconds: float) -> None:
        """Let time pass in silence, and the threads that hear and feel take notice."""
        self.sound.pass_time(seconds)
        self.sound.settle()
        self._feel()

    def _feel(self) -> None:
        """Wait until the feet have taken every press and had a whole turn at the time there is.

        They ask for the time once a press and twice a turn without one; two pedals can be waiting.
        """
        asked = self.clock.asked_by_feet
        wait_for(
            lambda: self.clock.asked_by_feet >= asked + 8 or not self._has_feet(), step_s=0.003
        )

    @staticmethod
    def _has_feet() -> bool:
        return any(thread.name == "feet" for thread in threading.enumerate())

    def rounds(self) -> list[RoundRow]:
        with LogReader(self.log_path) as log:
            return log.rounds(0.0, 1e12)

    def events(self) -> list[EventRow]:
        with LogReader(self.log_path) as log:
            return log.events(0.0, 1e12)

    def drones(self) -> list[DroneOrder]:
        return [order for order in self.sound.orders if isinstance(order, DroneOrder)]

    def cues(self) -> list[Cue]:
        return [order.cue for order in self.sound.orders if isinstance(order, CueOrder)]


LEFT, MIDDLE, RIGHT = 17, 27, 22


def build(
    tmp_path: Path,
    settings: Settings = SETTINGS,
    manager: ServiceManager | None = None,
    caretaker: Caretaker | None = None,
    open_logbook: Callable[[Path], Logbook] = lambda path: Logbook(path, "north room"),
) -> Stage:
    clock = WatchedClock()
    sound, pins = ScriptedSound(clock), MockFactory()
    script: list[Event] = []
    last_words: list[Event] = []
    log_path, socket = tmp_path / "room.db", tmp_path / "c.sock"
    stage: Stage

    def make_ear(_rate_hz: float) -> ScriptedEar:
        stage.ears += 1
        return ScriptedEar(script, last_words)

    def monotonic() -> float:
        return clock.now().monotonic_s

    room = Room(
        settings,
        clock=clock,
        sound=sound,
        open_logbook=lambda: open_logbook(log_path),
        open_feet=lambda press, release: FootBoard(
            settings.pedals, press, release, pin_factory=pins, monotonic=monotonic
        ),
        socket_path=socket,
        make_ear=make_ear,
        manager=manager,
        caretaker=caretaker,
    )
    stage = Stage(clock, sound, pins, script, last_words, 0, log_path, socket, room)
    return stage
