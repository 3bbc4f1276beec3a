"""What a sound device hands to the room: paired blocks, over a queue that never blocks.

A real interface (:mod:`appliance.devices.sound`) and a simulated room
(:mod:`appliance.devices.paced`) keep the same small promise, so the daemon cannot tell them apart.
"""

import queue
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

Samples = NDArray[np.float32]
Render = Callable[[int], Samples]  # frames -> what the loudspeaker plays next, shape (frames,)

BACKLOG_S = 30.0  # a hearing that lags further than this loses sound rather than memory


@dataclass(frozen=True, slots=True)
class Block:
    """What the microphone gave and what was sent to the loudspeaker in the same callback.

    Both have shape (n,), full scale ±1. ``fresh``: the block does not continue the one before
    (the stream was opened, or sound was lost), so an ear has to begin again.
    """

    mic: Samples
    sent: Samples
    fresh: bool


@dataclass(frozen=True, slots=True)
class SoundReport:
    """How the sound device is; ``flags`` counts status flags, ``trouble`` is for a person."""

    device: str
    running: bool
    trouble: str | None
    blocks: int
    dropped_blocks: int
    longest_gap_s: float  # between two callbacks
    reopened: int
    flags: dict[str, int] = field(default_factory=dict)


class Sound(Protocol):
    """A full-duplex sound device, real or simulated."""

    @property
    def sample_rate_hz(self) -> float:
        """Frames a second, both ways."""

    def start(self, render: Render) -> None:
        """Begin: ``render`` is asked for every block and must never wait for anything."""

    def next_block(self, timeout_s: float) -> Block | None:
        """Return the oldest block not yet taken; ``None`` when none came in ``timeout_s``."""

    def backlog_s(self) -> float:
        """Seconds of sound that wait to be taken."""

    def report(self) -> SoundReport:
        """Say how the device is."""

    def stop(self) -> None:
        """End; blocks already heard can still be taken."""


class Handover:
    """Blocks from the audio thread to the hearing thread, in order; putting never waits.

    ``SimpleQueue.put`` is a C function without a lock that Python code could hold for long, so an
    audio callback may call it. When the hearing lags by :data:`BACKLOG_S` blocks are dropped and
    counted, and the next one is marked fresh.
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

    def put(self, mic: Samples, sent: Samples, sample_rate_hz: float) -> None:
        """Hand over one block; both arrays now belong to the reader."""
        self.blocks += 1
        if self._queue.qsize() * mic.size > BACKLOG_S * sample_rate_hz:
            self.dropped += 1
            self._broken = True
            return
        self._queue.put(Block(mic, sent, self._broken))
        self._broken = False

    def get(self, timeout_s: float) -> Block | None:
        """Return the oldest block, or ``None`` after ``timeout_s``."""
        try:
            return self._queue.get(timeout=timeout_s)
        except queue.Empty:
            return None

    def waiting(self) -> int:
        """Count the blocks not yet taken."""
        return self._queue.qsize()
