"""Invented notes for tests of the log and the pages: no real player, room or day."""

from dataclasses import replace
from datetime import datetime
from itertools import count
from pathlib import Path
from random import Random
from zoneinfo import ZoneInfo

from appliance.log.logbook import Logbook
from appliance.log.records import NoteRow, SittingRow
from appliance.tuning import note_hz, parse_note
from appliance.vocabulary import Arrival, Call, HeardNote, Instant, Shift, Vibrato

ZONE = ZoneInfo("Europe/Lisbon")
BOOT = "9b1f7c52-0f4e-4a53-b0a1-3b6f1f0a7d11"
PLAIN = HeardNote(
    start_s=0.0,
    end_s=1.0,
    landing_hz=220.0,
    landing_uncertainty_cents=1.0,
    settled_hz=220.0,
    arrival=Arrival.BOW,
    slide_s=None,
    vibrato=None,
    shift=None,
    drone_hz=220.0,
    reference_hz=220.0,
    measurable=True,
    repeat=False,
    level_db=-24.0,
)
UNMEASURED = replace(
    PLAIN, landing_hz=None, landing_uncertainty_cents=None, settled_hz=None, measurable=False
)


def bent(hz: float, cents: float) -> float:
    return float(hz * 2.0 ** (cents / 1200.0))


def heard(
    name: str, landing_cents: float, settled_cents: float | None = None, **changes: object
) -> HeardNote:
    """A note so many cents off equal temperament at A4 = 440 Hz, over a drone on A3."""
    hz = note_hz(parse_note(name))
    settled = landing_cents if settled_cents is None else settled_cents
    note = replace(PLAIN, landing_hz=bent(hz, landing_cents), settled_hz=bent(hz, settled))
    return replace(note, **changes)  # type: ignore[arg-type]


def shift(source: str, name: str, likely: float = 0.8) -> Shift:
    return Shift(note_hz(parse_note(source)), note_hz(parse_note(name)), likely)


def instant(year: int, month: int, day: int, hour: int = 17, minute: int = 0) -> Instant:
    wall_s = datetime(year, month, day, hour, minute, tzinfo=ZONE).timestamp()
    return Instant(wall_s, wall_s - 1.7e9, BOOT, True)


SITTING = SittingRow("00000001-1", "north room", None, "viola", 440.0, instant(2026, 2, 9), None)
_numbers = count(2)


def row(note: HeardNote, at: Instant = SITTING.started_at, *, struck: bool = False) -> NoteRow:
    return NoteRow(f"00000001-{next(_numbers)}", SITTING, note, at, struck, None)


# Pure intervals over A3, cents above equal temperament: 5/3, 9/5, 3/2, 5/4, 4/3 (arithmetic).
PURE = {"F#4": -15.6, "G4": 17.6, "E4": 2.0, "C#4": -13.7, "D4": -2.0}

# Habits of an invented violist: note -> (bias, spread, share of the error corrected, came from)
HABITS = {
    "F#4": (-14.0, 5.0, 0.7, None),
    "G4": (11.0, 9.0, 0.2, "B3"),
    "A3": (1.0, 4.0, 0.0, None),
    "E4": (2.0, 8.0, 0.5, None),
    "C#4": (0.0, 14.0, 0.6, None),
    "D4": (-3.0, 6.0, 0.0, "A4"),
    "A4": (0.0, 6.0, 0.0, None),
}


def fill(path: Path, room: str = "north room", notes_a_day: int = 42) -> None:
    """Two weeks of sittings from Monday 2 February 2026 on, five days each, with calls."""
    chance = Random(20260202)
    with Logbook(path, room) as log:
        for day in (2, 3, 4, 6, 7, 9, 10, 11, 13, 15):
            at = instant(2026, 2, day)
            sitting = log.begin_sitting(at, instrument="viola", a4_hz=440.0)
            for number in range(notes_a_day):
                at = at.later(2.5)
                note_id = log.add_note(sitting, _played(chance, number, day), at)
                if number % 9 == 4:
                    log.add_call(note_id, Call.FLAT, at.later(1.0))
                if number % 29 == 28:
                    log.strike(note_id)
            log.end_sitting(sitting, at.later(600.0))


def _played(chance: Random, number: int, day: int) -> HeardNote:
    name = chance.choice(list(HABITS))
    bias, spread, corrected, source = HABITS[name]
    landing = chance.gauss(bias * (1.5 if day < 9 else 1.0), spread)
    pure = PURE.get(name, 0.0)
    settled = landing * (1 - corrected) + chance.gauss(0.0, 1.5)
    note = heard(name, pure + landing, pure + settled)
    if name == "A4":  # an open string's pitch, and fingered
        note = replace(note, vibrato=Vibrato(5.5, 14.0))
    if source:
        note = replace(
            note, arrival=Arrival.SLIDE, slide_s=0.11, shift=shift(source, name, chance.random())
        )
    if number % 17 == 3:
        return UNMEASURED
    if number % 31 == 30:
        return replace(note, settled_hz=bent(note_hz(parse_note(name)), 50.0))
    return replace(note, repeat=number % 23 == 22)


def fill_tuned_evening(path: Path, room: str = "north room") -> None:
    """One evening, Friday 23 January 2026: strings tuned, the G left six cents flat, and played.

    The player calls every second note and hears sharp thirds as in tune.
    """
    chance = Random(20260123)
    at = instant(2026, 1, 23)
    with Logbook(path, room) as log:
        sitting = log.begin_sitting(at, instrument="viola", a4_hz=440.0)
        for name, cents in (("A4", 3.0), ("A4", 0.0), ("D4", -11.0), ("D4", -2.0), ("G3", -19.9)):
            log.add_note(sitting, heard(name, cents), at := at.later(4.0))
        log.add_note(sitting, heard("G3", -9.9), at := at.later(4.0))  # a pure G is at -3.9
        for number in range(160):
            name = chance.choice(["G3", "C#4", "E4", "F#4", "B3", "A3"])
            off = chance.gauss(0.0, 10.0 if name != "G3" else 1.0)
            pure = PURE.get(name, 0.0) + (-9.9 if name == "G3" else 0.0)
            note_id = log.add_note(sitting, heard(name, pure + off), at := at.later(3.0))
            heard_off = off - (8.0 if name == "C#4" else 0.0) + chance.gauss(0.0, 4.0)
            call = Call.SHARP if heard_off > 6 else Call.FLAT if heard_off < -6 else Call.IN_TUNE
            if number % 2:
                log.add_call(note_id, call, at.later(1.0))
        log.end_sitting(sitting, at)


def fill_called_week(path: Path, room: str = "north room") -> None:
    """Five evenings from Monday 12 January 2026 on, over a drone on A3, every note called.

    The player's ear is set anew each evening, by a cent or two, and takes sharp thirds for pure.
    """
    chance = Random(20260112)
    with Logbook(path, room) as log:
        for day in range(12, 17):
            at, tonight = instant(2026, 1, day), chance.gauss(0.0, 1.5)
            sitting = log.begin_sitting(at, instrument="viola", a4_hz=440.0)
            for _ in range(60):
                name = chance.choice(["C#4", "E4", "F#4", "B3"])
                off = chance.gauss(0.0, 11.0)
                note = heard(name, PURE.get(name, 0.0) + off)
                note_id = log.add_note(sitting, note, at := at.later(3.0))
                heard_off = off - tonight - (8.0 if name == "C#4" else 0.0) + chance.gauss(0.0, 3.0)
                said = (
                    Call.SHARP if heard_off > 6 else Call.FLAT if heard_off < -6 else Call.IN_TUNE
                )
                log.add_call(note_id, said, at.later(1.0))
            log.end_sitting(sitting, at)
