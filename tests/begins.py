"""Takes in which something happens to the drone, the room or the microphone under a player.

Each holds one event, and may cost the player two notes at most. Before the event the drone has
sounded for a while, unless its start is the event.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from appliance.vocabulary import Arrival, HeardNote
from tests.rooms import in_room
from tests.scoring import MATCH_S
from tests.tones import RANGES, DroneSpan, Room, Scene, Truth, match, plan_line, render
from tests.truths import Audio, half_cosine

RATE_HZ = 48000.0
NOTES = 5  # before the event and after it
LEAD_IN_S = 4.0
DRONE_SEMITONES = 7  # above the lowest note
MOST_NOTES = 2  # that an event may cost


@dataclass(frozen=True)
class _Played:
    """A line in two phrases, and when the second begins."""

    instrument: str
    dry: Audio
    truths: list[Truth]
    event_s: float  # in the rest between the phrases
    middle_s: float  # in the middle of the first note of the second phrase

    @property
    def time_s(self) -> Audio:
        return np.arange(len(self.dry)) / RATE_HZ


def _play(rng: np.random.Generator, instrument: str, gap_s: float) -> _Played:
    plan = plan_line(rng, instrument, 2 * NOTES, "slow")
    plan[NOTES] = replace(plan[NOTES], arrival=Arrival.BOW, gap_s=gap_s, join_s=0.05, dip_db=0.0)
    dry, truths = render(plan, instrument, RATE_HZ, lead_in_s=LEAD_IN_S)
    event_s = truths[NOTES - 1].end_s + plan[NOTES - 1].release_s + 0.1
    second = truths[NOTES]
    return _Played(instrument, dry, truths, event_s, (second.start_s + second.end_s) / 2)


def drone_hz(instrument: str, semitones: int = DRONE_SEMITONES) -> float:
    return float(440.0 * 2 ** ((RANGES[instrument][0] + semitones - 69) / 12))


def _scene(played: _Played, mic: Audio, sent: Audio, room: Room) -> Scene:
    return Scene(played.instrument, RATE_HZ, played.dry, mic, sent, played.truths, room)


def _split(
    played: _Played, room: Room, spans: list[DroneSpan], seed: int
) -> tuple[Audio, Audio, Audio]:
    """Player with noise, drone at the microphone, drone as sent: the room is linear in both."""
    there, sent = in_room(played.dry, spans, room, RATE_HZ, np.random.default_rng(seed))
    louder = replace(room, level_db=room.level_db + 20 * np.log10(2.0))
    twice, _ = in_room(played.dry, spans, louder, RATE_HZ, np.random.default_rng(seed))
    return 2 * there - twice, twice - there, sent


def _room(level_db: float) -> Room:
    return Room(level_db=level_db, drift_ppm=20.0)


def together(seed: int, instrument: str, level_db: float) -> Scene:
    """Player and drone start within 0.3 s of one another."""
    rng = np.random.default_rng(seed)
    played = _play(rng, instrument, 0.4)
    start_s = LEAD_IN_S + float(rng.uniform(-0.3, 0.3))
    spans = [DroneSpan(drone_hz(instrument), start_s=start_s)]
    mic, sent = in_room(played.dry, spans, _room(level_db), RATE_HZ, rng)
    return _scene(played, mic, sent, _room(level_db))


def another_note(seed: int, instrument: str, level_db: float) -> Scene:
    """The drone moves to another note in the rest between two phrases, 0.7 s before the second."""
    rng = np.random.default_rng(seed)
    played = _play(rng, instrument, 0.8)
    semitones = DRONE_SEMITONES + int(rng.choice([-7, -5, -2, 2, 3, 5]))
    spans = [
        DroneSpan(drone_hz(instrument), end_s=played.event_s),
        DroneSpan(drone_hz(instrument, semitones), start_s=played.event_s),
    ]
    mic, sent = in_room(played.dry, spans, _room(level_db), RATE_HZ, rng)
    return _scene(played, mic, sent, _room(level_db))


def _volume(seed: int, instrument: str, level_db: float, *, db: float, during: bool) -> Scene:
    """The drone is sent louder or softer from some moment on; it takes 0.3 s."""
    played = _play(np.random.default_rng(seed), instrument, 0.4)
    spans = [DroneSpan(drone_hz(instrument))]
    player, drone, sent = _split(played, _room(level_db), spans, seed)
    begin_s = played.middle_s if during else played.event_s
    gain = 10 ** (db / 20 * half_cosine(played.time_s, begin_s, 0.3))
    later = 10 ** (db / 20 * half_cosine(played.time_s, begin_s + 0.015, 0.3))
    return _scene(played, player + later * drone, gain * sent, _room(level_db))


def louder(seed: int, instrument: str, level_db: float) -> Scene:
    """The drone is sent 6 dB louder, from the rest between the phrases on."""
    return _volume(seed, instrument, level_db, db=6.0, during=False)


def softer_in_a_note(seed: int, instrument: str, level_db: float) -> Scene:
    """The drone is sent 6 dB softer in the middle of a note."""
    return _volume(seed, instrument, level_db, db=-6.0, during=True)


def _knob(seed: int, instrument: str, level_db: float, *, db: float) -> Scene:
    """A knob is turned at the loudspeaker: the sent drone stays as it is."""
    played = _play(np.random.default_rng(seed), instrument, 0.4)
    spans = [DroneSpan(drone_hz(instrument))]
    player, drone, sent = _split(played, _room(level_db), spans, seed)
    gain = 10 ** (db / 20 * half_cosine(played.time_s, played.event_s, 0.5))
    return _scene(played, player + gain * drone, sent, _room(level_db))


def knob_up(seed: int, instrument: str, level_db: float) -> Scene:
    """The loudspeaker is turned up by 6 dB within 0.5 s."""
    return _knob(seed, instrument, level_db, db=6.0)


def knob_down(seed: int, instrument: str, level_db: float) -> Scene:
    """The loudspeaker is turned down by 6 dB within 0.5 s."""
    return _knob(seed, instrument, level_db, db=-6.0)


def walk(seed: int, instrument: str, level_db: float) -> Scene:
    """The player walks for three seconds: every way in the room becomes another."""
    played = _play(np.random.default_rng(seed), instrument, 0.4)
    spans = [DroneSpan(drone_hz(instrument))]
    here, sent = in_room(
        played.dry, spans, _room(level_db), RATE_HZ, np.random.default_rng(seed + 1)
    )
    there, _ = in_room(played.dry, spans, _room(level_db), RATE_HZ, np.random.default_rng(seed + 2))
    way = half_cosine(played.time_s, played.event_s - 1.0, 3.0)
    return _scene(played, (1 - way) * here + way * there, sent, _room(level_db))


def _automatic(seed: int, instrument: str, level_db: float, *, db: float) -> Scene:
    """The microphone's automatic gain moves within 0.2 s, player, drone and noise alike."""
    rng = np.random.default_rng(seed)
    played = _play(rng, instrument, 0.4)
    room = _room(level_db)
    mic, sent = in_room(played.dry, [DroneSpan(drone_hz(instrument))], room, RATE_HZ, rng)
    gain = 10 ** (db / 20 * half_cosine(played.time_s, played.middle_s, 0.2))
    return _scene(played, gain * mic, sent, room)


def gain_up(seed: int, instrument: str, level_db: float) -> Scene:
    """Automatic gain rises by 6 dB in the middle of a note."""
    return _automatic(seed, instrument, level_db, db=6.0)


def gain_down(seed: int, instrument: str, level_db: float) -> Scene:
    """Automatic gain falls by 6 dB in the middle of a note."""
    return _automatic(seed, instrument, level_db, db=-6.0)


Begin = Callable[[int, str, float], Scene]
BEGINS: dict[str, Begin] = {
    "together": together,
    "another note": another_note,
    "louder": louder,
    "softer in a note": softer_in_a_note,
    "knob up": knob_up,
    "knob down": knob_down,
    "walk": walk,
    "gain up": gain_up,
    "gain down": gain_down,
}


@dataclass(frozen=True)
class Cost:
    """What an event cost, from the note before it on."""

    lost: int  # not found
    wrong: int  # more than 50 cents off
    unmeasured: int  # found, but called not measurable
    invented: int
    late: int  # lost, but told from some later moment on: the one invented note is the lost one

    @property
    def notes(self) -> int:
        return self.lost + self.wrong + self.unmeasured + self.invented - self.late


def cost(event: str, take: Scene, found: list[HeardNote]) -> Cost:
    """What of ``take``, in which ``event`` happens, was not heard as it was played."""
    truths = take.truths if event == "together" else take.truths[NOTES - 1 :]
    since_s = truths[0].start_s - MATCH_S
    score = match([note for note in found if note.start_s > since_s], truths)
    wrong = sum(pair.wrong for pair in score.measured)
    late = sum(
        any(truth.start_s < note.start_s < truth.end_s for note in score.invented)
        for truth in score.lost
    )
    return Cost(len(score.lost), wrong, len(score.unmeasured), len(score.invented), late)
