"""One invented sitting with everything a foot can do, for the tests of its page."""

from dataclasses import dataclass, replace
from pathlib import Path
from random import Random

from appliance.log.logbook import Logbook
from appliance.log.records import UNMARKED, EventKind, Marks, RoundGoal
from appliance.tuning import note_hz, parse_note
from appliance.vocabulary import Call, Instant, Vibrato
from tests.log_rows import UNMEASURED, heard, instant

STARTED = instant(2026, 2, 12, 16, 58)
SCALE = ("A3", "B3", "C#4", "D4", "E4", "F#4", "E4", "D4")
VIBRATO = Vibrato(5.5, 14.0)  # a fingered note, also at the pitch of an open string


def fill_sitting(path: Path, room: str = "north room", minutes: int = 24) -> str:
    """Thursday 12 February 2026, from 16:58 on; return the sitting's id.

    Over a drone on A3, then a round, a pause, a long rest, without the drone, and on D3.
    """
    chance = Random(20260212)
    with Logbook(path, room) as log:
        log._db.execute("PRAGMA synchronous = OFF")  # no power will be cut here
        sitting = log.begin_sitting(STARTED, instrument="viola", a4_hz=440.0)
        at = _notes(log, sitting, STARTED.later(3.0), _Stretch(60.0 * minutes / 3), chance)
        at = _round(log, sitting, at.later(5.0))
        log.add_event(EventKind.PAUSED, at.later(1.0), sitting)
        at = _notes(log, sitting, at.later(2.0), _Stretch(70.0, Marks(paused=True)), chance)
        log.add_event(EventKind.RESUMED, at.later(1.0), sitting)
        at = at.later(240.0)
        log.add_event(EventKind.WENT_WITHOUT, at, sitting)
        at = _notes(log, sitting, at.later(2.0), _Stretch(90.0, Marks(without=True)), chance)
        log.add_event(EventKind.BROUGHT_BACK, at.later(1.0), sitting)
        at = _notes(log, sitting, at.later(2.0), _Stretch(60.0 * minutes / 3, drone="D3"), chance)
        log.end_sitting(sitting, at)
    return sitting


@dataclass(frozen=True)
class _Stretch:
    """What is alike in a stretch of the sitting."""

    seconds: float
    marks: Marks = UNMARKED
    drone: str = "A3"


def _notes(log: Logbook, sitting: str, at: Instant, stretch: _Stretch, chance: Random) -> Instant:
    marks, drone = stretch.marks, stretch.drone
    until_s = at.wall_s + stretch.seconds
    hz = note_hz(parse_note(drone))
    number = 0
    while at.wall_s < until_s:
        landing = chance.gauss(-6.0, 9.0)
        note = heard(SCALE[number % 8], landing, landing * chance.random(), vibrato=VIBRATO)
        if number % 13 == 12:
            note = UNMEASURED
        sounding_hz = None if marks.without else hz
        note = replace(note, end_s=1.2, drone_hz=sounding_hz, reference_hz=hz)
        at = at.later(1.9)
        note_id = log.add_note(sitting, note, at, marks)
        if number % 11 == 5 and not marks.paused:
            call = Call.FLAT if landing < -6 else Call.SHARP if landing > 6 else Call.IN_TUNE
            log.add_call(note_id, call, at.later(0.5))
        if number % 37 == 36:
            log.strike(note_id)
        number += 1
    return at


def _round(log: Logbook, sitting: str, at: Instant) -> Instant:
    """A round on D4→A4: short, short, nearly, in, long, in, in, in, in, in."""
    goal = RoundGoal(note_hz(62), note_hz(69), note_hz(69), 10.0)
    played = log.begin_round(sitting, goal, at)
    log.add_event(EventKind.ROUND_BEGUN, at, sitting)
    for number, landing in enumerate((-31, -24, -14, 4, 26, -6, 2, 7, -1, 3), 1):
        log.add_note(sitting, heard("D4", 0.0), at := at.later(3.0), Marks(in_round=True), played)
        note_id = log.add_note(
            sitting,
            heard("A4", landing, vibrato=VIBRATO),
            at := at.later(3.0),
            Marks(in_round=True, try_number=number),
            played,
        )
        if number == 2:
            log.add_call(note_id, Call.FLAT, at.later(1.0))
    log.end_round(played, won=True)
    log.add_event(EventKind.ROUND_ENDED, at, sitting)
    return at
