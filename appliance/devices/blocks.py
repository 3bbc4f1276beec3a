"""What passes between a sound device and the room: paired blocks one way, orders the other.

A real interface (:mod:`appliance.devices.interface`) and a simulated room
(:mod:`appliance.devices.paced`) keep the same small promise, so the daemon cannot tell them apart.
"""

import queue
from dataclasses import dataclass, field, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from appliance.practice.order import Order

Samples = NDArray[np.float32]

BACKLOG_S = 30.0  # a hearing that lags further than this loses sound rather than memory
# What an audio callback gives is joined to so much, since every block costs the room the same,
# however short. At 48 kHz and 512 frames it is just what the ear hears at once: no note is told
# later. At other rates it may be by as much.
JOINED_S = 0.16


@dataclass(frozen=True, slots=True)
class Block:
    """What the microphone gave and what was sent to the loudspeaker in the same callback.

    Both have shape (n,), full scale ±1, at ``sample_rate_hz``. ``fresh``: the block does not
    continue the one before (the stream was opened, or sound was lost), so an ear has to begin
    again. ``at_s`` is when its last frame was heard, in seconds of the monotonic clock.
    """

    mic: Samples
    sent: Samples
    fresh: bool
    at_s: float
    sample_rate_hz: float


@dataclass(frozen=True, slots=True)
class SoundReport:
    """How the sound device is; ``flags`` counts status flags, ``trouble`` is for a person."""

    device: str
    running: bool
    trouble: str | None = None
    blocks: int = 0
    dropped_blocks: int = 0
    longest_gap_s: float = 0.0  # between two callbacks
    reopened: int = 0
    search_steps: int = 0  # grows while a missing device is looked for, unless that hangs
    flags: dict[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Opened:
    """A device opened for one recording; ``inputs`` is how many channels it will record."""

    device: str
    sample_rate_hz: float
    inputs: int


@dataclass(frozen=True, slots=True)
class Recording:
    """All that the inputs gave while a sound was played, shape (n, inputs), as long as the sound.

    ``lost`` counts status flags: with any, samples are missing on one side or the other.
    """

    mic: Samples
    lost: int


class Sound(Protocol):
    """A full-duplex sound device that sounds drone and cues, real or simulated."""

    def start(self) -> None:
        """Begin; raises :class:`DeviceError` when the device cannot be opened."""

    def order(self, order: Order) -> None:
        """Want a drone or a cue; may be called before the start and while a device is gone.

        From any thread, one at a time. A cue that cannot be heard now is not kept for later.
        """

    def next_block(self, timeout_s: float) -> Block | None:
        """Return the oldest block not yet taken; ``None`` when none came in ``timeout_s``."""

    def report(self) -> SoundReport:
        """Say how the device is."""

    def stop(self) -> None:
        """End; blocks already heard can still be taken."""


class Handover:
    """Blocks from one thread to another, in order; putting never waits.

    ``SimpleQueue.put`` holds no lock that Python code could keep for long, so an audio callback may
    call it. When the reader lags by :data:`BACKLOG_S` blocks are dropped and counted, and the next
    one is marked fresh.
    """

    def __init__(self) -> None:
        """Stand empty; the first block will be fresh."""
        self._queue: queue.SimpleQueue[Block] = queue.SimpleQueue()
        self._broken = True
        self.blocks = 0
        self.dropped = 0

    def break_off(self) -> None:
        """Mark that the next block does not continue the last."""
        self._broken = True

    def put(self, block: Block) -> None:
        """Hand over one block; its arrays now belong to the reader."""
        self.blocks += 1
        if self._queue.qsize() * block.mic.size > BACKLOG_S * block.sample_rate_hz:
            self.dropped += 1
            self._broken = True
            return
        self._queue.put(replace(block, fresh=block.fresh or self._broken))
        self._broken = False

    def get(self, timeout_s: float) -> Block | None:
        """Return the oldest block, or ``None`` after ``timeout_s``."""
        try:
            return self._queue.get(timeout=timeout_s)
        except queue.Empty:
            return None


class Joined:
    """Joins what an audio callback gives until :data:`JOINED_S` are full, and hands it over.

    To be used from one thread at a time.
    """

    def __init__(self, handover: Handover, sample_rate_hz: float) -> None:
        """Stand empty."""
        self._handover = handover
        self._rate_hz = sample_rate_hz
        self._mic: list[Samples] = []
        self._sent: list[Samples] = []
        self._frames, self._at_s = 0, 0.0

    def add(self, mic: Samples, sent: Samples, at_s: float) -> None:
        """Take both, shape (n,), the last frame of which was heard at ``at_s``; they are kept."""
        self._mic.append(mic)
        self._sent.append(sent)
        self._frames, self._at_s = self._frames + mic.size, at_s
        if self._frames >= JOINED_S * self._rate_hz:
            self.hand_over()

    def hand_over(self) -> None:
        """Hand over what there is, however little."""
        if self._frames:
            mic, sent = np.concatenate(self._mic), np.concatenate(self._sent)
            self._handover.put(Block(mic, sent, False, self._at_s, self._rate_hz))
            self._mic, self._sent, self._frames = [], [], 0
