"""Keeping the note just played, by foot and through the real ear: every note of each range.

That the rule is right for every note, and every A4, is tested in ``tests/test_wanted.py``.
"""

from dataclasses import replace
from itertools import groupby
from pathlib import Path

import pytest

from appliance.hearing.ear import Ear
from appliance.instruments import INSTRUMENTS, find_instrument
from appliance.practice.pedalboard import Pedal
from appliance.practice.wanted import WantedDrone
from appliance.settings import Settings
from appliance.tuning import note_hz, note_name
from appliance.vocabulary import NoteEnded
from tests.lockstep import LockstepRoom
from tests.log_rows import bent
from tests.tones import RANGES, scene
from tests.waves import bowed, steady, tone

SETTINGS = Settings()
DRONE_DB = -12.0  # at the microphone: the one-second preview of the note kept before
NOTE_S, REACTION_S, TAP_S = 0.8, 0.4, 0.1
LISTEN_S = 2.0  # the preview, and then for as long as a room may ring on
HIGHEST = 96  # C7: above it the drone takes the octave below


def settings(name: str) -> Settings:
    return replace(SETTINGS, room=replace(SETTINGS.room, instrument=name))


def keep(room: LockstepRoom, midi: int, off_cents: float) -> str:
    """Play a note, let the foot keep it, listen to the preview; return what the drone is on."""
    room.play(bowed(tone(steady(bent(note_hz(midi), off_cents), NOTE_S))))
    room.wait(NOTE_S + REACTION_S)
    room.foot(Pedal.MIDDLE, down=True)
    room.wait(TAP_S)
    room.foot(Pedal.MIDDLE, down=False)
    room.wait(LISTEN_S)
    return str(room.status()["drone"]["note"])


@pytest.mark.parametrize("name", INSTRUMENTS)
def test_every_note_of_the_range_is_kept_by_foot(name: str, tmp_path: Path) -> None:
    low, high = find_instrument(name).lowest, find_instrument(name).highest
    room = LockstepRoom(settings(name), tmp_path / "room.db", DRONE_DB)
    room.wait(0.5)
    for number, midi in enumerate(range(low, high + 1)):
        sounded = midi if midi <= HIGHEST else midi - 12
        off_cents = (0.0, 30.0, -30.0)[number % 3]
        assert keep(room, midi, off_cents) == note_name(sounded), (note_name(midi), off_cents)
    room.close()


@pytest.mark.parametrize("name", RANGES)
def test_recorded_tones_are_kept_as_they_were_meant(name: str) -> None:
    """Players who land up to 40 cents off, and stay there; each note is kept when it has ended."""
    take, kept = scene(12, name, 16, "detached"), list[int]()
    drone = WantedDrone(settings(name), lambda _order: None)
    ear = Ear(settings(name), name, take.sample_rate_hz)
    for event in [*ear.hear(take.mic), *ear.finish()]:
        if isinstance(event, NoteEnded) and event.note.settled_hz is not None:
            drone.keep(event.note.settled_hz)
            kept.append(drone.midi)
    in_turn = [midi for midi, _ in groupby(kept)]  # a note that the ear parts is kept twice
    assert in_turn == [truth.plan.midi for truth in take.truths]
