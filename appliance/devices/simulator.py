"""A whole room without a room: a simulated player, loudspeaker and microphone, ready to use."""

from appliance.devices.simulated_evening import plan_evening
from appliance.devices.simulated_player import PedalMove, SimulatedPlayer
from appliance.devices.simulated_room import SimulatedRoom
from appliance.instruments import find_instrument
from appliance.settings import Settings
from appliance.tuning import note_hz

__all__ = ["PedalMove", "SimulatedPlayer", "SimulatedRoom", "simulated_devices"]


def simulated_devices(
    settings: Settings, sample_rate_hz: float, seed: int = 0
) -> tuple[SimulatedRoom, SimulatedPlayer]:
    """Return a room and the player in it, who practises over the drone for ever: a scale, a
    round until it is won, and the scale without the drone.

    ``room.exchange(sent) -> mic`` stands for the sound card at ``sample_rate_hz``;
    ``player.presses_due(now_s)`` for the feet, the first press being the one that starts the drone.
    """
    instrument = find_instrument(settings.room.instrument)
    player = SimulatedPlayer(
        plan_evening(settings, instrument.lowest, seed),
        note_hz(instrument.lowest, settings.room.a4_hz),
        sample_rate_hz,
        seed,
        endless=True,
    )
    return SimulatedRoom(player, sample_rate_hz, seed), player
