"""Takes from pianissimo to fortissimo, with strings that ring on, with two strings at once, tuning.

All are played by recorded tones; the truth of each note is Praat's on the dry tone.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from appliance.instruments import INSTRUMENTS
from appliance.vocabulary import Arrival, HeardNote
from tests.rooms import in_room
from tests.tones import RANGES, DroneSpan, PlannedNote, Room, Scene, Truth, plan_line, render
from tests.truths import Audio

RATE_HZ = 48000.0
LEAD_IN_S = 4.0
STRINGS = ("violin", "viola", "cello", "double-bass")
FORTISSIMO_DB, PIANISSIMO_DB = 12.0, -28.0  # re the plateau of -24 dBFS: 40 dB between notes
QUIET_ROOM_DB = -72.0  # else the room covers the pianissimo
INTERVALS = (3, 4, 5, 7, 8, 9)  # of double stops, semitones; an octave is told from nothing


def played(
    dry: Audio,
    truths: list[Truth],
    instrument: str,
    rng: np.random.Generator,
    *,
    drone_db: float | None = None,
    noise_db: float = -60.0,
) -> Scene:
    """``dry`` in a room; ``drone_db`` is the drone's RMS re full scale."""
    drone_hz = 440.0 * 2 ** ((RANGES[instrument][0] + 7 - 69) / 12)
    loud = dry[np.abs(dry) > 0.02 * np.abs(dry).max()]
    own_db = 10 * np.log10(np.mean(loud**2))
    room = Room(
        level_db=-300.0 if drone_db is None else drone_db - own_db,
        drift_ppm=20.0,
        noise_db=noise_db,
    )
    mic, sent = in_room(dry, [DroneSpan(drone_hz)], room, RATE_HZ, rng)
    return Scene(instrument, RATE_HZ, dry, mic, None if drone_db is None else sent, truths, room)


def swelling_line(seed: int, instrument: str, count: int, drone_db: float | None) -> Scene:
    """Detached notes between pianissimo and fortissimo, both often."""
    rng = np.random.default_rng(seed)
    plan = [
        replace(note, level_db=_dynamic(rng), gap_s=float(rng.uniform(0.35, 0.6)))
        for note in plan_line(rng, instrument, count, "detached")
    ]
    dry, truths = render(plan, instrument, RATE_HZ, lead_in_s=LEAD_IN_S)
    return played(dry, truths, instrument, rng, drone_db=drone_db, noise_db=QUIET_ROOM_DB)


def _dynamic(rng: np.random.Generator) -> float:
    if rng.random() < 0.4:
        return float(rng.choice([PIANISSIMO_DB, FORTISSIMO_DB]))
    return float(rng.uniform(PIANISSIMO_DB, FORTISSIMO_DB))


def tuning(seed: int, instrument: str) -> Scene:
    """Open strings, one after the other, each held for 0.5 to 2 s and a little off."""
    rng = np.random.default_rng(seed)
    strings = INSTRUMENTS[instrument].strings
    plan = []
    for _ in range(3):
        for midi in strings[::-1]:
            off = float(rng.uniform(-30, 30))
            plan.append(
                PlannedNote(
                    midi,
                    landing_cents=off,
                    settled_cents=off,
                    duration_s=float(rng.uniform(0.5, 2.0)),
                    gap_s=float(rng.uniform(0.1, 0.6)),
                    level_db=float(rng.uniform(-12, 0)),
                )
            )
    dry, truths = render(plan, instrument, RATE_HZ)
    return played(dry, truths, instrument, rng)


def ringing(seed: int, instrument: str, count: int, drone_db: float | None) -> Scene:
    """Every other note is an open string, and rings on under the fingered note that follows.

    It has lost 10 to 25 dB when that begins, and falls by 60 dB in 1 to 3 s.
    """
    rng = np.random.default_rng(seed)
    strings = INSTRUMENTS[instrument].strings
    plan, opens = [], []
    for index in range(count):
        string = int(rng.integers(0, len(strings)))
        if index % 2 == 0:
            opens.append(strings[string])
        other = opens[-1] + int(rng.choice([-5, -4, -3, -2, 2, 3, 4, 5, 6, 8, 9]))
        other = max(other, strings[0] + 1)
        off = 0.0 if index % 2 == 0 else float(rng.uniform(-30, 30))
        plan.append(
            PlannedNote(
                opens[-1] if index % 2 == 0 else other,
                landing_cents=off,
                settled_cents=off,
                duration_s=float(rng.uniform(0.5, 1.2)),
                gap_s=0.05 if index % 2 else 0.4,
                release_s=0.05,
            )
        )
    dry, truths = render(plan, instrument, RATE_HZ, lead_in_s=LEAD_IN_S)
    for truth in truths[::2]:
        lost_db, decay_s = float(rng.uniform(10, 25)), float(rng.uniform(1.0, 3.0))
        held = replace(truth.plan, duration_s=decay_s)
        _add_ring(dry, held, instrument, truth.end_s, lost_db=lost_db, decay_s=decay_s)
    return played(dry, truths, instrument, rng, drone_db=drone_db)


def _add_ring(
    dry: Audio,
    note: PlannedNote,
    instrument: str,
    begin_s: float,
    *,
    lost_db: float,
    decay_s: float,
) -> None:
    """Let a string ring from ``begin_s`` on, from the middle of its recording."""
    tone, _ = render([note], instrument, RATE_HZ, lead_in_s=0.0)
    begin, skip = int(begin_s * RATE_HZ), int(0.3 * RATE_HZ)
    tone = tone[skip : skip + len(dry) - begin]
    time_s = np.arange(len(tone)) / RATE_HZ
    fall = 10 ** (-(lost_db + 60 * time_s / decay_s) / 20) * np.minimum(time_s / 0.03, 1.0)
    dry[begin : begin + len(tone)] += fall * tone


@dataclass(frozen=True)
class Stops:
    """A take in which ``take.truths[i]`` is a double stop where ``doubled[i]``."""

    take: Scene
    doubled: list[bool]
    intervals: list[int]  # semitones up to the second string; 0 for single notes


def double_stops(
    seed: int,
    instrument: str,
    count: int,
    drone_db: float | None,
    intervals: Sequence[int] = INTERVALS,
) -> Stops:
    """Every other note has a second string, 9 dB softer to 5 dB louder, for 60 to 100 % of it."""
    rng = np.random.default_rng(seed)
    strings = INSTRUMENTS[instrument].strings
    plan, second = [], []
    for index in range(count):
        midi = int(rng.integers(strings[0] + 1, strings[-1]))
        plan.append(
            PlannedNote(
                midi,
                landing_cents=float(rng.uniform(-20, 20)),
                duration_s=float(rng.uniform(0.7, 1.4)),
                gap_s=float(rng.uniform(0.25, 0.5)),
                level_db=float(rng.uniform(-4, 4)),
                arrival=Arrival.BOW,
            )
        )
        second.append(int(rng.choice(intervals)) if index % 2 else 0)
    plan = [replace(note, settled_cents=note.landing_cents) for note in plan]
    dry, truths = render(plan, instrument, RATE_HZ, lead_in_s=LEAD_IN_S)
    for truth, semitones in zip(truths, second, strict=True):
        if semitones:
            _add_string(rng, dry, truth, instrument, semitones)
    take = played(dry, truths, instrument, rng, drone_db=drone_db)
    return Stops(take, [bool(semitones) for semitones in second], second)


def _add_string(
    rng: np.random.Generator, dry: Audio, truth: Truth, instrument: str, semitones: int
) -> None:
    note = truth.plan
    share = float(rng.choice([0.6, 0.8, 1.0]))
    above = replace(
        note,
        midi=note.midi + semitones,
        landing_cents=float(rng.uniform(-20, 20)),
        duration_s=note.duration_s * share,
        level_db=note.level_db + float(rng.choice([-9.0, -5.0, 0.0, 5.0])),
    )
    above = replace(above, settled_cents=above.landing_cents)
    tone, _ = render([above], instrument, RATE_HZ, lead_in_s=0.0)
    begin = int(truth.start_s * RATE_HZ) if rng.random() < 0.5 else 0
    begin = begin or int((truth.end_s - above.duration_s) * RATE_HZ)
    tone = tone[: len(dry) - begin]
    dry[begin : begin + len(tone)] += tone


@dataclass(frozen=True)
class Told:
    """What became of the double stops and of the single notes between them."""

    stops: int
    one_unmeasured: int  # of these, told as one note that is not measurable: right
    guessed: int  # given a pitch
    several: int  # told as two or more notes
    singles: int
    singles_measured: int


def told(stops: Stops, found: Sequence[HeardNote]) -> Told:
    """Count by overlap: a found note belongs to the true one it shares most time with."""
    near: list[list[HeardNote]] = [[] for _ in stops.take.truths]
    for note in found:
        shared = [
            min(note.end_s, truth.end_s + 0.3) - max(note.start_s, truth.start_s - 0.1)
            for truth in stops.take.truths
        ]
        near[int(np.argmax(shared))].append(note)
    pairs = list(zip(near, stops.doubled, strict=True))
    doubles = [notes for notes, doubled in pairs if doubled]
    singles = [notes for notes, doubled in pairs if not doubled]
    return Told(
        stops=len(doubles),
        one_unmeasured=sum(len(n) == 1 and not n[0].measurable for n in doubles),
        guessed=sum(any(note.measurable for note in n) for n in doubles),
        several=sum(len(n) > 1 for n in doubles),
        singles=len(singles),
        singles_measured=sum(len(n) == 1 and n[0].measurable for n in singles),
    )
