"""The whole room in one thread, block after block: pins, desk, loudspeaker, walls, ear, log.

Time is what the blocks last, so a busy machine changes nothing. Only the log has its own thread.
"""

from pathlib import Path
from typing import Any

import numpy as np
from gpiozero.pins.mock import MockFactory
from numpy.typing import NDArray

from appliance.desk import Desk
from appliance.devices.clock import SimulatedClock
from appliance.devices.loudspeaker import Loudspeaker
from appliance.devices.pedals import FootBoard
from appliance.hearing.ear import Ear
from appliance.log.logbook import Logbook
from appliance.log.writer import LogWriter
from appliance.practice.order import Order
from appliance.practice.pedalboard import Gesture, Heard, Pedal, Pedalboard
from appliance.settings import Settings
from appliance.vocabulary import NoteEnded
from tests.waves import RATE_HZ

BLOCK_FRAMES = 480
PATH_FRAMES = 720  # 15 ms from the loudspeaker to the microphone
NOISE_DBFS = -75.0


class LockstepRoom:
    """A room in which the loudspeaker reaches the microphone ``gain_db`` louder than it is sent."""

    def __init__(self, settings: Settings, log_path: Path, gain_db: float) -> None:
        self.log_path, self.orders = log_path, list[Order]()
        self.ordered_s: list[float] = []  # when each order was given
        self._clock = SimulatedClock(1.7e9, monotonic_s=1000.0)
        self._loudspeaker = Loudspeaker(settings.drone, RATE_HZ)
        self._ear = Ear(settings, settings.room.instrument, RATE_HZ)
        self._writer = LogWriter(lambda: Logbook(log_path, "lockstep"), self._now_s)
        self._writer.start()
        self._desk = Desk(settings, self._writer, self._order)
        self.told_after_s = list[float]()  # how long after its end each note was told
        self.obeyed: list[tuple[Heard, Gesture]] = []
        self._pedals, self._pins = settings.pedals, MockFactory()
        self._board = Pedalboard(settings.pedals)
        self._feet = FootBoard(
            settings.pedals,
            lambda pedal, at_s: self._obey(self._board.press(pedal, at_s)),
            lambda pedal, at_s: self._obey(self._board.release(pedal, at_s)),
            pin_factory=self._pins,
            monotonic=self._now_s,
        )
        self._zero = self._clock.now()
        self._gain = 10.0 ** (gain_db / 20.0)
        self._path = np.zeros(PATH_FRAMES)
        self._ahead = np.zeros(0)
        self._rng = np.random.default_rng(1)

    def status(self) -> dict[str, Any]:
        return self._desk.status()

    def play(self, samples: NDArray[np.float64]) -> None:
        """Begin to play."""
        self._ahead = samples

    def foot(self, pedal: Pedal, *, down: bool) -> None:
        """Put the foot down, or lift it."""
        pin = self._pins.pin(getattr(self._pedals, f"{pedal}_pin"))
        (pin.drive_low if down else pin.drive_high)()

    def wait(self, seconds: float) -> None:
        """Let so many seconds pass, block after block."""
        for _ in range(round(seconds * RATE_HZ / BLOCK_FRAMES)):
            self._block()

    def close(self) -> None:
        """Hear the rest, end the sitting, close the log."""
        for event in self._ear.finish():
            self._desk.hear(event, self._zero)
        self._desk.close(self._clock.now())
        self._feet.close()
        self._pins.reset()
        assert self._writer.stop(5.0) == 0

    def _obey(self, gestures: list[Gesture]) -> None:
        self.obeyed += [(self._desk.heard, gesture) for gesture in gestures]
        self._desk.obey(gestures, self._clock.now())

    def _now_s(self) -> float:
        return self._clock.now().monotonic_s

    def _order(self, order: Order) -> None:
        self.orders.append(order)
        self.ordered_s.append(self._now_s())
        self._loudspeaker.order(order)

    def _block(self) -> None:
        sent = self._loudspeaker.render(BLOCK_FRAMES).astype(np.float64)
        self._path = np.concatenate([self._path, sent])
        back, self._path = np.split(self._path, [BLOCK_FRAMES])
        played, self._ahead = self._ahead[:BLOCK_FRAMES], self._ahead[BLOCK_FRAMES:]
        noise = self._rng.standard_normal(BLOCK_FRAMES) * 10.0 ** (NOISE_DBFS / 20.0)
        mic = self._gain * back + noise
        mic[: played.size] += played
        self._clock.advance(BLOCK_FRAMES / RATE_HZ)
        for event in self._ear.hear(mic, sent):
            if isinstance(event, NoteEnded):
                ended_s = self._zero.monotonic_s + event.note.end_s
                self.told_after_s.append(self._now_s() - ended_s)
            self._desk.hear(event, self._zero)
        self._obey(self._board.tick(self._now_s()))
        self._desk.tick(self._clock.now())
