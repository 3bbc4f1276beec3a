"""Takes with known truth, built from recorded tones: one import for players, rooms and scores."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tests.lines import RANGES, STYLES, plan_line
from tests.players import render
from tests.rooms import DroneSpan, OtherDrone, Room, drone_sound, in_room, noise, other_drone
from tests.scoring import Score, match
from tests.truths import Audio, PlannedNote, Truth

__all__ = [
    "RANGES",
    "STYLES",
    "DroneSpan",
    "OtherDrone",
    "PlannedNote",
    "Room",
    "Scene",
    "Score",
    "Truth",
    "drone_sound",
    "match",
    "other_drone",
    "plan_line",
    "render",
    "scene",
]


@dataclass(frozen=True)
class Scene:
    """A take with its truth: ``mic`` and ``sent`` as in a take's two channels, shape (n,)."""

    instrument: str
    sample_rate_hz: float
    dry: Audio
    mic: Audio
    sent: Audio | None
    truths: list[Truth]
    room: Room | None = None
    drone: tuple[DroneSpan, ...] = ()
    font: str = "fluid"

    @property
    def seconds(self) -> float:
        return len(self.mic) / self.sample_rate_hz


def scene(
    seed: int,
    instrument: str,
    count: int,
    style: str = "mixed",
    *,
    drone: Sequence[DroneSpan] | float | None = None,
    room: Room | None = None,
    sample_rate: float = 48000.0,
    lead_in_s: float = 0.5,
) -> Scene:
    """One reproducible take: without a room the microphone is the dry tone and a little noise."""
    rng = np.random.default_rng(seed)
    plan = plan_line(rng, instrument, count, style)
    dry, truths = render(plan, instrument, sample_rate, lead_in_s=lead_in_s)
    if drone is None:
        mic = dry + noise(len(dry), -70.0, rng)
        return Scene(instrument, sample_rate, dry, mic, None, truths)
    room = room or Room()
    spans = (DroneSpan(drone),) if isinstance(drone, float | int) else tuple(drone)
    mic, sent = in_room(dry, spans, room, sample_rate, rng)
    return Scene(instrument, sample_rate, dry, mic, sent, truths, room, spans)
