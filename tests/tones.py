"""Takes with known truth, built from recorded tones: one import for players, rooms and scores."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tests.players import RANGES, STYLES, plan_line, render
from tests.rooms import DroneSpan, Room, drone_sound, in_room
from tests.scoring import Score, match
from tests.truths import Audio, PlannedNote, Truth

__all__ = [
    "RANGES",
    "STYLES",
    "DroneSpan",
    "PlannedNote",
    "Room",
    "Scene",
    "Score",
    "Truth",
    "drone_sound",
    "in_room",
    "match",
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
        mic = dry + rng.standard_normal(len(dry)) * 10.0 ** (-70.0 / 20.0)
        return Scene(instrument, sample_rate, dry, mic, None, truths)
    room = room or Room()
    mic, sent = in_room(dry, drone, room, sample_rate, rng)
    spans = (DroneSpan(drone),) if isinstance(drone, float | int) else tuple(drone)
    return Scene(instrument, sample_rate, dry, mic, sent, truths, room, spans)
