"""The feet's thread: edges of pedals come in, the desk is told what they ask for."""

import logging
import queue
import threading
from collections.abc import Callable, Iterable
from typing import Any, Protocol

from appliance.desk import Desk
from appliance.devices.clock import Clock
from appliance.log.records import EventKind
from appliance.log.writer import LogWriter
from appliance.practice.pedalboard import Gesture, Pedal, Pedalboard, pedals_of_board
from appliance.settings import PedalSettings
from appliance.vocabulary import Instant

logger = logging.getLogger(__name__)

TICK_S = 0.01  # a hold is known at most this much late

OnEdge = Callable[[Pedal, float], None]
Edge = Callable[[Pedal, float], list[Gesture]]  # what the pedalboard is told


class Feet(Protocol):
    """A pedal board, real or simulated."""

    trouble: str | None  # a sentence for a person, while it cannot be used

    def close(self) -> None:
        """Stop calling back."""


OpenFeet = Callable[[OnEdge, OnEdge], Feet]


class FollowedFeet:
    """A pedal board and what the desk is to know of it."""

    def __init__(
        self, settings: PedalSettings, desk: Desk, writer: LogWriter, clock: Clock
    ) -> None:
        """Wait for :meth:`open`; ``clock`` shares its monotonic seconds with the board's edges."""
        self._pedals = pedals_of_board(settings.count)
        self._desk = desk
        self._writer = writer
        self._clock = clock
        self._board = Pedalboard(settings)
        self._feet: Feet | None = None
        self._felt: dict[Pedal, float] = {}  # when a contact of each last closed
        self._edges: queue.SimpleQueue[tuple[Edge, Pedal, float]] = queue.SimpleQueue()
        self._on_press: Edge = self._board.press
        self._stuck: frozenset[Pedal] = frozenset()
        self._gone = threading.Event()

    def open(self, open_feet: OpenFeet) -> None:
        """Open the board; raises what it raises.

        A contact that is closed by then would, as a hold, start the drone in an empty room.
        """
        self._on_press = self._board.found_down
        self._feet = open_feet(self._press, self._release)
        self._on_press = self._board.press

    def close(self) -> None:
        """Close the board."""
        if self._feet is not None:
            self._feet.close()

    def _press(self, pedal: Pedal, at_s: float) -> None:
        """Take a contact that closed; may be called from any thread."""
        self._felt[pedal] = at_s
        self._edges.put((self._on_press, pedal, at_s))

    def _release(self, pedal: Pedal, at_s: float) -> None:
        """Take a contact that opened; may be called from any thread."""
        self._edges.put((self._board.release, pedal, at_s))

    @property
    def trouble(self) -> str | None:
        """What is wrong with the board, in a sentence."""
        return None if self._feet is None else self._feet.trouble

    def status(self) -> dict[str, Any]:
        """Say which pedals are stuck, and what else is wrong."""
        stuck = self._stuck
        return {"stuck": sorted(stuck), "trouble": self.trouble or _stuck_sentence(stuck)}

    def felt_s_ago(self, now: Instant) -> dict[str, float | None]:
        """Say how long ago each pedal of the board was pressed; ``None``: not yet."""
        if self._feet is None:
            return {}
        felt = {pedal: self._felt.get(pedal) for pedal in self._pedals}
        return {
            pedal.value: None if at_s is None else now.monotonic_s - at_s
            for pedal, at_s in felt.items()
        }

    def leave(self) -> None:
        """Let :meth:`follow` return."""
        self._gone.set()

    def follow(self) -> None:
        """Tell the desk what the feet ask for, until :meth:`leave`: the thread's work."""
        while not self._gone.is_set():
            try:
                edge, pedal, at_s = self._edges.get(timeout=TICK_S)
            except queue.Empty:
                gestures = self._board.tick(self._clock.now().monotonic_s)
            else:
                gestures = edge(pedal, at_s)
            now = self._clock.now()
            self._desk.obey(gestures, now)
            self._look_for_stuck(now)
            self._desk.tick(now)

    def _look_for_stuck(self, now: Instant) -> None:
        """Say and log which pedals are stuck, where that has changed."""
        stuck, before = self._board.stuck(now.monotonic_s), self._stuck
        for pedal in sorted(stuck - before):
            logger.warning(_stuck_sentence([pedal]))
            self._writer.add_event(EventKind.PEDAL_STUCK, now, pedal.value)
        for pedal in sorted(before - stuck):
            self._writer.add_event(EventKind.PEDAL_FREE, now, pedal.value)
        self._stuck = stuck


def _stuck_sentence(stuck: Iterable[Pedal]) -> str | None:
    names = " and ".join(sorted(stuck))
    if not names:
        return None
    return f"Held down for too long and ignored: {names}; free the pedal or look at its cable."
