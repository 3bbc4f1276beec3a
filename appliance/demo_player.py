"""The invented player of the demo: who they are, what goes wrong, and what they practised when.

Everything here is made up. What is planted is compared with what the log found in the end.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from appliance.devices.simulated_score import Habits, Piece, PieceNote, Planner, Score, scale
from appliance.log.calendar import room_zone
from appliance.settings import Settings
from appliance.tuning import note_hz, parse_note

NICKNAME = "Linnet"
SHIFT = (parse_note("A3"), parse_note("F#4"))
FLAT, SHARP = parse_note("G4"), parse_note("B4")
MISHEARD = 9  # semitones above the drone: the major sixth
_FIRST_WEEK = Habits(
    landing_cents={FLAT: -18.0, SHARP: 15.0},
    shift_cents={SHIFT: 22.0},
    hears_cents={MISHEARD: -14.0},
    rescue=0.6,
    vibrato=0.25,
    calls=0.45,
)
_HABITS = (_FIRST_WEEK, replace(_FIRST_WEEK, landing_cents={FLAT: -12.0, SHARP: 15.0}))

# Drone and seconds of practice of each sitting, and how the day is parted when two fall on one.
_WEEKS = (
    (("D3", 90), ("D3", 75), ("G3", 90), ("D3", 85), ("D3", 80)),
    (("D3", 90), ("G3", 80), ("D3", 90), ("D3", 80)),
)
_QUICK = ((("D3", 40),), (("D3", 40),))
_TIMES = (time(8, 10), time(12, 30), time(16, 45), time(18, 20), time(19, 40))


@dataclass(frozen=True)
class PlannedSitting:
    """One practice: when it begins, its week (0 or 1), drone, score, and a seed for its sound."""

    begins: datetime
    week: int
    drone: str
    score: Score
    seed: int


def _midis(names: str) -> list[int]:
    return [parse_note(name) for name in names.split()]


def _phrase(before: str, after: str) -> Piece:
    """Return a phrase with the shift in its middle, the arrival heard as a slide."""
    slide = (PieceNote(SHIFT[0]), PieceNote(SHIFT[1], slurred=True, slide=True))
    return scale(_midis(before)) + slide + scale(_midis(after), slur=2)


PIECES: Mapping[str, tuple[Piece, ...]] = {
    "D3": (
        _phrase("D4 G4", "G4 E4 D4"),
        scale(_midis("D4 E4 F#4 G4 A4 B4 C#5 D5"), slur=2),
        _phrase("B4 A4", "G4 B4 A4"),
        scale(_midis("D4 F#4 A4 B4 A4 F#4 G4 E4")),
    ),
    "G3": (
        scale(_midis("G4 A4 B4 C5 D5 E5 D5 C5 B4 G4"), slur=2),
        scale(_midis("D4 G4 B4 A4 D5 B4 G4 D4")),
        scale(_midis("G4 B4 D5 E5 C5 A4 B4 G4")),
    ),
}


def two_weeks(settings: Settings, today: date, seed: int, *, quick: bool) -> list[PlannedSitting]:
    """Plan the sittings of the calendar week of yesterday, and of the week before, in order."""
    yesterday = today - timedelta(days=1)
    monday = yesterday - timedelta(days=yesterday.weekday())
    last_days = (monday - timedelta(days=1), yesterday)
    planned: list[PlannedSitting] = []
    weeks = _QUICK if quick else _WEEKS
    for week, (sittings, last_day) in enumerate(zip(weeks, last_days, strict=True)):
        moments = _spread(len(sittings), last_day, room_zone(settings.room.time_zone))
        for (drone, seconds), begins in zip(sittings, moments, strict=True):
            own_seed = 1000 * seed + len(planned)
            score = _plan(settings, _HABITS[week], drone, seconds, own_seed)
            planned.append(PlannedSitting(begins, week, drone, score, own_seed))
    return planned


def _spread(count: int, last_day: date, zone: ZoneInfo | None) -> list[datetime]:
    """Spread sittings over the days from Monday to ``last_day``, several a day if it must be."""
    days = last_day.weekday() + 1
    offsets = [(number + 1) * days // count - 1 for number in range(count)]
    return [
        datetime.combine(last_day - timedelta(days=days - 1 - max(0, offset)), at, zone)
        for offset, at in zip(offsets, _TIMES, strict=False)
    ]


def _plan(settings: Settings, habits: Habits, drone: str, seconds: float, seed: int) -> Score:
    a4_hz = settings.room.a4_hz
    drone_hz = note_hz(parse_note(drone), a4_hz)
    planner = Planner(habits, drone_hz, a4_hz, np.random.default_rng(seed))
    return planner.play(PIECES[drone], seconds)
