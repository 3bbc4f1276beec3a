"""The simulated room in real time: what its player's feet do keeps its own timing."""

import threading
import time
from typing import Any, cast

from appliance.devices.paced import PacedSound, SimulatedFeet
from appliance.devices.simulator import PedalMove, SimulatedPlayer
from appliance.practice.pedalboard import Pedal

TAP = [PedalMove(Pedal.MIDDLE, True, 1.00), PedalMove(Pedal.MIDDLE, False, 1.15)]


class StarvedRoom:
    """A room whose feet were not looked at for two seconds."""

    played_s = 3.0
    moves = TAP

    def presses_due(self, now_s: float) -> list[PedalMove]:
        due = [move for move in self.moves if move.at_s <= now_s]
        self.moves = [move for move in self.moves if move.at_s > now_s]
        return due


def test_a_tap_stays_a_tap_however_late_it_is_seen() -> None:
    room: Any = StarvedRoom()
    edges: list[tuple[bool, float]] = []
    released = threading.Event()

    def release(_: Pedal, at_s: float) -> None:
        edges.append((False, at_s))
        released.set()

    began_s = time.monotonic()
    feet = SimulatedFeet(
        cast(SimulatedPlayer, room),
        cast(PacedSound, room),
        lambda _, at_s: edges.append((True, at_s)),
        release,
    )
    assert released.wait(5.0)
    feet.close()
    (down, pressed_s), (up, released_s) = edges
    assert (down, up) == (True, False)
    assert abs(released_s - pressed_s - 0.15) < 1e-6
    assert began_s - 2.0 <= pressed_s <= time.monotonic() - 2.0  # two seconds before it was seen
