"""A simulated room in real time, in place of the sound interface and the pedals."""

import threading
import time
from collections.abc import Callable
from typing import Protocol

from appliance.devices.blocks import Block, Handover, Samples, SoundReport
from appliance.devices.loudspeaker import Loudspeaker
from appliance.devices.simulator import SimulatedPlayer
from appliance.practice.order import Order
from appliance.practice.pedalboard import Pedal
from appliance.settings import Settings

FOOT_POLL_S = 0.01
GIVE_UP_CATCHING_UP_S = 0.5  # a machine that lags further lets the simulated room pause instead


class Exchange(Protocol):
    """A room as a sound card sees it, such as ``SimulatedRoom``."""

    def exchange(self, sent: Samples) -> Samples:
        """Take what the loudspeaker plays, return what the microphone hears, shapes (n,)."""


class PacedSound:
    """Exchanges a block with a room whenever its time has come, in a thread of its own."""

    def __init__(self, room: Exchange, settings: Settings) -> None:
        """Stand ready at the sample rate and block length of the settings; nothing sounds yet."""
        self._room = room
        self._rate_hz = settings.sound.sample_rate_hz
        self._frames = settings.sound.block_frames
        self._loudspeaker = Loudspeaker(settings.drone, self._rate_hz)
        self._handover = Handover()
        self._stopping = threading.Event()
        self._late = 0
        self._thread = threading.Thread(target=self._run, name="simulated-sound", daemon=True)

    @property
    def played_s(self) -> float:
        """How long the room has sounded, in its own time."""
        return self._handover.blocks * self._frames / self._rate_hz

    def start(self) -> None:
        """Begin to exchange blocks in real time."""
        self._thread.start()

    def order(self, order: Order) -> None:
        """Want a drone or a cue."""
        self._loudspeaker.order(order)

    def next_block(self, timeout_s: float) -> Block | None:
        """Return the oldest block not yet taken, or ``None`` after ``timeout_s``."""
        return self._handover.get(timeout_s)

    def report(self) -> SoundReport:
        """Say how the simulated device is; ``flags`` counts the blocks that came late."""
        return SoundReport(
            device="simulated room",
            running=self._thread.is_alive(),
            blocks=self._handover.blocks,
            dropped_blocks=self._handover.dropped,
            flags={"late": self._late},
        )

    def stop(self) -> None:
        """End; blocks already heard can still be taken."""
        self._stopping.set()
        if self._thread.is_alive():
            self._thread.join()

    def _run(self) -> None:
        due_s = time.monotonic()
        while not self._stopping.is_set():
            sent = self._loudspeaker.render(self._frames)
            mic = self._room.exchange(sent)
            self._handover.put(Block(mic, sent, False, time.monotonic(), self._rate_hz))
            due_s += self._frames / self._rate_hz
            left_s = due_s - time.monotonic()
            if left_s > 0.0:
                time.sleep(left_s)
            elif left_s < -GIVE_UP_CATCHING_UP_S:
                self._late += 1
                due_s -= left_s


class SimulatedFeet:
    """Passes on what the simulated player's feet do, at the room's own time."""

    def __init__(
        self,
        player: SimulatedPlayer,
        sound: PacedSound,
        on_press: Callable[[Pedal, float], None],
        on_release: Callable[[Pedal, float], None],
    ) -> None:
        """Begin to watch the feet; edges carry the time of this machine's monotonic clock."""
        self._player = player
        self._sound = sound
        self._on_edge = {True: on_press, False: on_release}
        self.trouble: str | None = None
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="simulated-feet", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Stop watching."""
        self._stopping.set()
        self._thread.join()

    def _run(self) -> None:
        while not self._stopping.wait(FOOT_POLL_S):
            played_s, now_s = self._sound.played_s, time.monotonic()
            for move in self._player.presses_due(played_s):
                # Not merely now: on a busy machine two polls can lie so far apart that a tap would
                # become a hold.
                self._on_edge[move.down](move.pedal, now_s - (played_s - move.at_s))
