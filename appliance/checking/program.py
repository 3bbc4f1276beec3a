"""What the room check plays: quiet, a sweep from each side, the drone, the sweeps again. Pure.

A sweep from the left output and one from the right tell which of them is heard, how late, and how
the room dies away. The same two again, seconds later, tell whether two clocks drift apart.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from appliance.practice.drone import Drone
from appliance.settings import Settings

Floats = NDArray[np.float64]

QUIET_S = 2.0  # 0.5 Hz apart: a mains hum is told from a note near it
SWEEP_S = 0.8
RING_S = 1.0  # after each sweep; 25 dB of a room of 2.4 s
DRONE_S = 4.0  # the removal has learnt the room after three
SETTLED_S = 1.0  # at the drone's end: what is measured of it
LOWEST_HZ, HIGHEST_HZ = 100.0, 12000.0  # what a small loudspeaker plays
HIGHEST_SHARE_OF_RATE = 0.45
FADE_S = 0.01
UNDER_DRONE_DB = 6.0  # quieter than the drone is: a sweep is more striking
OUTPUTS = 2
LONGEST_S = 90.0  # three tries and the opening of the device: then nobody need wait any more


@dataclass(frozen=True)
class Program:
    """All that is played, and where in it what stands; ``rate_hz`` is the device's.

    Raises what :class:`appliance.practice.drone.Drone` raises for settings it cannot sound.
    """

    settings: Settings
    rate_hz: float

    @cached_property
    def sweep(self) -> Floats:
        """One sweep, shape (n,), its RMS a little under the drone's.

        Its frequency rises exponentially (Farina, AES 108th convention, 2000): what a loudspeaker
        distorts then comes before the response and not inside it.
        """
        high_hz = min(HIGHEST_HZ, HIGHEST_SHARE_OF_RATE * self.rate_hz)
        time_s = np.arange(self._frames(SWEEP_S)) / self.rate_hz
        pace_s = SWEEP_S / np.log(high_hz / LOWEST_HZ)
        tone = np.sin(2.0 * np.pi * LOWEST_HZ * pace_s * np.expm1(time_s / pace_s))
        edge = np.minimum(time_s, SWEEP_S - time_s) / FADE_S
        level_db = self.settings.drone.level_dbfs - UNDER_DRONE_DB
        faded = np.sin(0.5 * np.pi * np.minimum(edge, 1.0)) ** 2
        return np.asarray(tone * faded * np.sqrt(2.0) * 10.0 ** (level_db / 20.0))

    @property
    def quiet(self) -> slice:
        """Where nothing is played; the first half second may hold what the stream began with."""
        return slice(self._frames(0.5), self._frames(0.5 + QUIET_S))

    @property
    def sweeps(self) -> tuple[tuple[int, int], ...]:
        """(first frame, output) of every sweep: left, right, and both again after the drone."""
        each_s = SWEEP_S + RING_S
        first_s = 0.5 + QUIET_S
        again_s = first_s + 2.0 * each_s + DRONE_S + RING_S
        starts_s = (first_s, first_s + each_s, again_s, again_s + each_s)
        return tuple((self._frames(at_s), i % OUTPUTS) for i, at_s in enumerate(starts_s))

    @property
    def sweep_frames(self) -> int:
        """How long a sweep and its ring are."""
        return self._frames(SWEEP_S + RING_S)

    @property
    def drone(self) -> slice:
        """Where the drone sounds, its fades included."""
        begins = self.sweeps[1][0] + self.sweep_frames
        return slice(begins, begins + self._frames(DRONE_S))

    @property
    def settled(self) -> slice:
        """The last part of the drone, before it fades out."""
        end = self.drone.stop - self._frames(self.settings.drone.fade_s)
        return slice(end - self._frames(SETTLED_S), end)

    @cached_property
    def samples(self) -> NDArray[np.float32]:
        """What is played, shape (n, 2), full scale ±1."""
        out = np.zeros((self.sweeps[-1][0] + self.sweep_frames, OUTPUTS))
        for at, side in self.sweeps:
            out[at : at + len(self.sweep), side] = self.sweep
        out[self.drone] = self._drone_sound()[:, np.newaxis]
        return out.astype(np.float32)

    def _drone_sound(self) -> Floats:
        frames = self.drone.stop - self.drone.start
        drone = Drone(self.settings.drone, self.rate_hz, a4_hz=self.settings.room.a4_hz)
        drone.start()
        fade = self._frames(self.settings.drone.fade_s)
        sound = drone.sound(frames - fade)
        drone.stop()
        return np.concatenate([sound, drone.sound(fade)]).astype(np.float64)

    def _frames(self, seconds: float) -> int:
        return round(seconds * self.rate_hz)
