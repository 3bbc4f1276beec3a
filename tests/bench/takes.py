"""Takes for the benchmark, each from a seed: who plays what, on which recordings, in which room.

The seed's place in ``INSTRUMENTS`` chooses the instrument; everything else is drawn from it. The
same seed at another level is the same playing in the same room with the drone louder or softer.
Noise is white, −55 dB re full scale; the player's tones stand about −24 dB re full scale.
"""

from dataclasses import dataclass

import numpy as np

from tests.bench.lines import practice_line
from tests.lines import RANGES
from tests.players import render
from tests.rooms import DroneSpan, Heard, Room, heard_in_room, noise
from tests.soundfont import PLAYABLE
from tests.tones import Scene
from tests.truths import Audio, Truth, hz_of

INSTRUMENTS = (
    "violin",
    "viola",
    "cello",
    "double-bass",
    "trombone",
    "oboe",
    "clarinet",
    "voice",
)
NOTES = 25  # in a take
RATE_HZ = 48000.0
_LEAD_IN_S = 4.0  # the drone sounds before anyone plays, as in a real sitting
_NOISE_DB = -55.0
_LOUDEST = 0.9  # of full scale: who records leaves room


@dataclass(frozen=True)
class Practice:
    """One playing in one room, still without a level of the drone."""

    seed: int
    vibrato: bool
    instrument: str
    font: str
    drone_midi: int
    room: Room
    dry: Audio
    heard: Heard
    sent: Audio
    truths: list[Truth]

    def at(self, level_db: float | None) -> Scene:
        """The take with the drone so much over the player; ``None``: without a drone."""
        mic = self.heard.player if level_db is None else self.heard.mixed(level_db)
        mic = mic * min(1.0, _LOUDEST / float(np.max(np.abs(mic))))
        mic = mic + noise(len(mic), _NOISE_DB, np.random.default_rng(self.seed))
        drone = () if level_db is None else (DroneSpan(hz_of(self.drone_midi)),)
        return Scene(
            self.instrument,
            RATE_HZ,
            self.dry,
            mic,
            None if level_db is None else self.sent,
            self.truths,
            self.room,
            drone,
            self.font,
        )


def instrument_of(seed: int) -> str:
    """Who plays a seed's take: in turn."""
    return INSTRUMENTS[seed % len(INSTRUMENTS)]


def practice(seed: int, *, vibrato: bool = False, notes: int = NOTES) -> Practice:
    """Play a seed's line in its room."""
    rng = np.random.default_rng([seed, int(vibrato)])
    instrument = instrument_of(seed)
    font = str(rng.choice(PLAYABLE[instrument]))
    low, _ = RANGES[instrument]
    drone_midi = max(low + int(rng.integers(-5, 13)), 28)
    room = Room(
        rt60_s=float(rng.uniform(0.3, 0.6)),
        drift_ppm=float(rng.uniform(0.0, 100.0)),
        distortion=float(rng.uniform(0.0, 0.03)),
        high_pass_hz=float(rng.uniform(80.0, 200.0)),
        movement_db=float(rng.uniform(-30.0, -20.0)),
        player_direct_db=float(rng.uniform(8.0, 12.0)),
    )
    plan = practice_line(rng, instrument, notes, drone_midi, vibrato=vibrato)
    dry, truths = render(plan, instrument, RATE_HZ, lead_in_s=_LEAD_IN_S, font=font)
    heard, sent = heard_in_room(dry, [DroneSpan(hz_of(drone_midi))], room, RATE_HZ, rng)
    return Practice(seed, vibrato, instrument, font, drone_midi, room, dry, heard, sent, truths)


def build(seed: int, level_db: float | None, *, vibrato: bool = False, notes: int = NOTES) -> Scene:
    """One take, to look at: ``build(17, 6.0)`` is seed 17 with the drone at +6 dB."""
    return practice(seed, vibrato=vibrato, notes=notes).at(level_db)
