"""Drones that sound, and what is measured of them."""

import itertools
from dataclasses import replace

import numpy as np
from hypothesis import strategies as st
from numpy.typing import NDArray

from appliance.practice.drone import Drone
from appliance.practice.tone import Tone
from appliance.settings import TIMBRES, DroneSettings
from appliance.tuning import note_hz

RATE = 48000.0
ADDED = ("nothing", "fifth", "octave")
LOUDEST = -9.0  # the highest level that settings allow
QUICKEST = DroneSettings(fade_s=0.05)
BRIEF = replace(QUICKEST, preview_s=0.03)  # so that previews end in the midst of a script
ROOTS_HZ = st.builds(note_hz, st.integers(24, 96), st.floats(400, 480))
TONES = st.builds(
    Tone,
    ROOTS_HZ,
    st.sampled_from(TIMBRES),
    st.sampled_from(ADDED),
    st.floats(-60, LOUDEST),
    st.sampled_from((44100.0, 48000.0, 96000.0)),
)


def sounding(drone_settings: DroneSettings, root_hz: float, rate: float = RATE) -> Drone:
    """A drone well past its fade-in."""
    drone = Drone(drone_settings, rate)
    drone.set_root(root_hz)
    drone.start()
    drone.sound(round(rate))
    return drone


def largest_step(samples: NDArray[np.float32]) -> float:
    return float(np.max(np.abs(np.diff(samples.astype(np.float64)))))


def in_blocks(drone: Drone, frames: int, sizes: "itertools.cycle[int]") -> NDArray[np.float32]:
    blocks = [drone.sound(0)]
    while frames > 0:
        blocks.append(drone.sound(min(next(sizes), frames)))
        frames -= len(blocks[-1])
    return np.concatenate(blocks)
