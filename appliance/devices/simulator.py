"""A whole room without a room: a simulated player, loudspeaker and microphone, ready to use."""

import numpy as np

from appliance.devices.simulated_player import PedalMove, SimulatedPlayer
from appliance.devices.simulated_room import SimulatedRoom
from appliance.devices.simulated_score import Habits, Planner, Score, scale
from appliance.instruments import find_instrument
from appliance.settings import Settings
from appliance.tuning import note_hz, parse_note

__all__ = ["PedalMove", "SimulatedPlayer", "SimulatedRoom", "simulated_devices"]

_PRACTICE_S = 90.0
_MAJOR = (0, 2, 4, 5, 7, 9, 11, 12, 11, 9, 7, 5, 4, 2, 0)


def simulated_devices(
    settings: Settings, sample_rate_hz: float, seed: int = 0
) -> tuple[SimulatedRoom, SimulatedPlayer]:
    """Return a room and the player in it, who practises a scale over the drone for ever.

    ``room.exchange(sent) -> mic`` stands for the sound card at ``sample_rate_hz``;
    ``player.presses_due(now_s)`` for the feet, the first press being the one that starts the drone.
    """
    instrument = find_instrument(settings.room.instrument)
    player = SimulatedPlayer(
        _practice(settings, instrument.lowest, seed),
        note_hz(instrument.lowest, settings.room.a4_hz),
        sample_rate_hz,
        seed,
        endless=True,
    )
    return SimulatedRoom(player, sample_rate_hz, seed), player


def _practice(settings: Settings, lowest: int, seed: int) -> Score:
    """Plan a major scale on the drone's note, in the first octave that fits above the lowest."""
    a4_hz = settings.room.a4_hz
    drone = parse_note(settings.drone.note)
    tonic = lowest + 2 + (drone - lowest - 2) % 12
    rng = np.random.default_rng(seed)
    planner = Planner(Habits(), note_hz(drone, a4_hz), a4_hz, rng)
    pieces = [scale([tonic + step for step in _MAJOR], slur) for slur in (1, 2)]
    return planner.play(pieces, _PRACTICE_S)
