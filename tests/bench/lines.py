"""Lines of a practising player: scales, chromatic lines and leaps around the drone.

Every note lands −40 to +40 cents from its semitone; about half are corrected after 250 to 500 ms.
Notes begin with a fresh bow, a re-articulation (on the same pitch or another), a legato step or a
slide. A step or slide moves the pitch by at least 70 cents, since a smaller one cannot be told from
a correction, by anybody. Some notes swell, in some the bow turns without a new attack: neither is a
new note.
"""

from dataclasses import replace

import numpy as np

from appliance.vocabulary import Arrival
from tests.lines import RANGES
from tests.truths import PlannedNote

_MAJOR = (0, 2, 4, 5, 7, 9, 11)
_TO_THE_DRONE = {"major": 0.13, "chromatic": 0.18}  # so that one note in five is its octave
_LEAST_MOVE_CENTS = 70.0
_LANDING_CENTS = 40.0
# A re-articulation dips by at least 6 dB. That is what is to be left at the microphone, in 20 ms or
# one and a half periods, when the room has filled the dip and a low note has blurred it.
_DIP_DB = (12.0, 24.0)
_DIP_PERIODS = 3.0
_KINDS = ("detached", "legato", "slide", "rearticulated")
_KIND_SHARES = (0.3, 0.25, 0.25, 0.2)


def practice_line(
    rng: np.random.Generator, instrument: str, count: int, drone_midi: int, *, vibrato: bool
) -> list[PlannedNote]:
    """A line of ``count`` notes; with ``vibrato`` on every one of them, or on none."""
    plan: list[PlannedNote] = []
    for midi in _pitches(rng, instrument, count, drone_midi):
        kind = str(rng.choice(_KINDS, p=_KIND_SHARES))
        note = _note(rng, midi)
        if vibrato:
            note = _vibrating(rng, note)
        if rng.random() < 0.5:
            note = _corrected(rng, note)
        plan.append(_joined(rng, note, plan[-1], kind) if plan else note)
    return plan


def _pitches(rng: np.random.Generator, instrument: str, count: int, drone_midi: int) -> list[int]:
    """Runs and leaps in the major scale of the drone (its tonic or fifth), or by semitones."""
    low, high = RANGES[instrument]
    manner = str(rng.choice(["major", "chromatic"]))
    tonic = drone_midi if rng.random() < 0.7 else drone_midi - 7
    degrees = _MAJOR if manner == "major" else range(12)
    scale = [m for m in range(low, high + 1) if (m - tonic) % 12 in degrees]
    home = [m for m in scale if m >= drone_midi and (m - drone_midi) % 12 == 0]
    at, step = int(rng.integers(len(scale))), 1
    pitches: list[int] = []
    while len(pitches) < count:
        pitches.append(scale[at])
        near = [m for m in home if m != scale[at]]
        if near and rng.random() < _TO_THE_DRONE[manner]:
            at = scale.index(min(near, key=lambda m: abs(m - scale[at])))
            continue
        step = -step if rng.random() < 0.2 else step
        far = step * int(rng.choice([1, 1, 1, 1, 2, 3, 4]))
        step = step if 0 <= at + far < len(scale) else -step
        at += far if 0 <= at + far < len(scale) else -far
    return pitches


def _note(rng: np.random.Generator, midi: int) -> PlannedNote:
    landing = float(rng.uniform(-_LANDING_CENTS, _LANDING_CENTS))
    duration = float(rng.uniform(0.4, 1.2))
    return PlannedNote(
        midi=midi,
        landing_cents=landing,
        settled_cents=landing,
        duration_s=duration,
        gap_s=float(rng.uniform(0.1, 0.5)),
        level_db=float(rng.uniform(-4.0, 4.0)),
        release_s=float(rng.uniform(0.06, 0.15)),
        swell_db=float(rng.uniform(-6.0, 6.0)) if duration > 0.8 and rng.random() < 0.3 else 0.0,
        bow_turn_db=float(rng.uniform(1.0, 3.0)) if duration > 0.8 and rng.random() < 0.2 else 0.0,
    )


def _vibrating(rng: np.random.Generator, note: PlannedNote) -> PlannedNote:
    return replace(
        note,
        duration_s=float(rng.uniform(0.8, 1.6)),
        vibrato_hz=float(rng.uniform(4.5, 8.0)),
        vibrato_cents=float(rng.uniform(10.0, 30.0)),
        vibrato_after_s=float(rng.uniform(0.2, 0.5)) if rng.random() < 0.4 else 0.0,
        vibrato_phase=float(rng.uniform(0.0, 2.0 * np.pi)),
    )


def _corrected(rng: np.random.Generator, note: PlannedNote) -> PlannedNote:
    """Corrected by ear; where vibrato runs from the start, not before its first whole cycle."""
    at = float(rng.uniform(0.25, 0.5))
    if note.vibrato_cents and note.vibrato_after_s == 0.0:
        at = max(at, 0.07 + 2.2 / note.landing_hz + 1.0 / note.vibrato_hz)
    return replace(
        note,
        duration_s=at + float(rng.uniform(0.6, 1.1)),
        settled_cents=float(rng.uniform(-5.0, 5.0)),
        correct_at_s=at,
        correct_s=float(rng.uniform(0.1, 0.3)),
    )


def _joined(
    rng: np.random.Generator, note: PlannedNote, before: PlannedNote, kind: str
) -> PlannedNote:
    if kind == "detached" or (kind != "rearticulated" and note.midi == before.midi):
        return note
    if kind == "rearticulated":
        join, dip = float(rng.uniform(0.05, 0.09)), float(rng.uniform(*_DIP_DB))
        join = max(join, _DIP_PERIODS / note.landing_hz)
        if rng.random() < 0.5:
            note = _left_in_place(note, before)
        return replace(note, gap_s=0.0, join_s=join, dip_db=dip)
    note = _moved(rng, note, before)
    if kind == "legato":
        join, dip = float(rng.uniform(0.03, 0.08)), float(rng.uniform(0.0, 6.0))
        return replace(note, arrival=Arrival.STEP, join_s=join, dip_db=dip)
    join = float(rng.uniform(0.06, 0.2))
    return replace(note, arrival=Arrival.SLIDE, join_s=join, dip_db=2.0)


def _left_in_place(note: PlannedNote, before: PlannedNote) -> PlannedNote:
    """On the pitch of the note before, the finger where it was."""
    landing = before.settled_cents
    settled = landing if note.correct_at_s is None else note.settled_cents
    return replace(note, midi=before.midi, landing_cents=landing, settled_cents=settled)


def _moved(rng: np.random.Generator, note: PlannedNote, before: PlannedNote) -> PlannedNote:
    """With a landing far enough from where the note before ended."""
    steps = 100.0 * (note.midi - before.midi)
    landing = note.landing_cents
    while abs(steps + landing - before.settled_cents) < _LEAST_MOVE_CENTS:
        landing = float(rng.uniform(-_LANDING_CENTS, _LANDING_CENTS))
    settled = landing if note.correct_at_s is None else note.settled_cents
    return replace(note, landing_cents=landing, settled_cents=settled)
