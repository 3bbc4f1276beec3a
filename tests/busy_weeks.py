"""Three weeks of an invented violist with everything that a page counts, or counts apart.

Every sitting begins with tuning over A and goes on over A, without the drone, over D and, in the
last week, before any drone; one is played at A4 = 442 Hz. There are shifts with a slide and
without, corrections, calls, rounds and open strings, and notes that are struck out, paused,
repeated, too short, or between two notes. From week to week more lands, but G4 does not.
"""

from dataclasses import replace
from pathlib import Path
from random import Random

from appliance.log.logbook import Logbook
from appliance.log.records import Marks, RoundGoal
from appliance.tuning import note_hz, parse_note
from appliance.vocabulary import Arrival, Call, HeardNote, Instant
from tests.log_rows import UNMEASURED, bent, heard, instant, shift

DAYS = {
    "2026-W05": ((1, 26), (1, 27), (1, 29), (1, 31)),
    "2026-W06": ((2, 2), (2, 3), (2, 5), (2, 7)),
    "2026-W07": ((2, 9), (2, 10), (2, 11), (2, 13), (2, 15)),
}
HIGH_A4 = (2, 11)  # this day was played at 442 Hz
# Pure over the drone, cents above equal temperament: of A, then of D (5:4, 3:2, 4:3 … arithmetic).
PURE = {
    "A3": {"C#4": -13.7, "E4": 2.0, "F#4": -15.6, "G4": 7.0},
    "D3": {"C#4": -9.0, "E4": -3.0, "F#4": -13.7, "G4": -2.0},
}
# name -> cents off, spread, share of the error that the ear takes back, where the hand came from
HABITS = {
    "C#4": (0.0, 13.0, 0.5, None),
    "E4": (1.0, 4.0, 0.3, None),
    "F#4": (-14.0, 4.0, 0.7, None),
    "G4": (10.0, 9.0, 0.2, "B3"),
}
LESS_OFF = {"2026-W05": 1.0, "2026-W06": 0.9, "2026-W07": 0.45}
EVERY = 9  # one note in so many is set apart, each time for another reason


class _Player:
    """Somebody who plays one sitting."""

    def __init__(self, log: Logbook, chance: Random, week: str, at: Instant, a4_hz: float) -> None:
        self._log, self._chance, self._week, self._a4_hz = log, chance, week, a4_hz
        self._at = at
        self.sitting = log.begin_sitting(at, instrument="viola", a4_hz=a4_hz)
        self._number = 0

    def play_all(self) -> None:
        """Tune, and play over both drones, without one, and in a round."""
        for name, cents in (("A4", 4.0), ("A4", 0.0), ("D4", -9.0), ("D4", -2.0), ("G3", -4.0)):
            self._add(self._over("A3", heard(name, cents)))
        for _ in range(40):
            self._play("A3", self._chance.choice(list(HABITS)))
        for number in range(14):
            self._play("A3", ("E4", "F#4")[number % 2], without=True)
        for _ in range(30):
            self._play("D3", self._chance.choice(list(HABITS)))
        for _ in range(3):
            self._add(self._over("D3", heard("D4", -2.0)))
        if self._week == "2026-W07":
            for _ in range(3):
                off = heard("E4", self._chance.gauss(6.0, 8.0))
                self._add(replace(self._over("A3", off), drone_hz=None, reference_hz=None))
        self._round()
        self._log.end_sitting(self.sitting, self._at)

    def _over(self, drone: str, note: HeardNote, *, without: bool = False) -> HeardNote:
        """The note at this sitting's A4, over a drone."""
        up = self._a4_hz / 440.0
        drone_hz = note_hz(parse_note(drone), self._a4_hz)
        assert note.landing_hz is not None and note.settled_hz is not None
        return replace(
            note,
            landing_hz=note.landing_hz * up,
            settled_hz=note.settled_hz * up,
            drone_hz=None if without else drone_hz,
            reference_hz=drone_hz,
            shift=note.shift and replace(note.shift, from_hz=note.shift.from_hz * up),
        )

    def _play(self, drone: str, name: str, *, without: bool = False) -> None:
        self._number += 1
        bias, spread, corrected, source = HABITS[name]
        less = 1.0 if name == "G4" else LESS_OFF[self._week]
        more = 1.6 if without else 1.0
        off = more * self._chance.gauss(bias * less, spread * less)
        settled = off * (1 - corrected) + self._chance.gauss(0.0, 1.0)
        pure = PURE[drone][name]
        note = self._over(drone, heard(name, pure + off, pure + settled), without=without)
        if source is not None:
            slid = self._chance.random() < 0.5
            note = replace(
                note,
                arrival=Arrival.SLIDE if slid else Arrival.STEP,
                slide_s=0.12 if slid else None,
                shift=replace(
                    shift(source, name, self._chance.uniform(0.5, 1.0)),
                    from_hz=note_hz(parse_note(source), self._a4_hz),
                ),
            )
        self._add(note, without=without, called_off=off)

    def _add(self, note: HeardNote, *, without: bool = False, called_off: float = 0.0) -> None:
        apart = self._number % (5 * EVERY) if called_off else 0
        paused = apart == 2 * EVERY
        if apart == EVERY:
            note = replace(UNMEASURED, drone_hz=note.drone_hz, reference_hz=note.reference_hz)
        elif apart == 3 * EVERY:
            note = replace(note, repeat=True)
        elif apart == 4 * EVERY and note.settled_hz is not None:
            note = replace(note, settled_hz=note_hz(parse_note("F4"), self._a4_hz) * 2 ** (-1 / 24))
        self._at = self._at.later(2.5)
        marks = Marks(paused=paused, without=without)
        note_id = self._log.add_note(self.sitting, note, self._at, marks)
        if apart == 0 and called_off and self._number % EVERY == 0:
            self._log.strike(note_id)
        if called_off and self._number % 2:
            heard_off = called_off - 2.0 + self._chance.gauss(0.0, 4.0)
            call = Call.SHARP if heard_off > 6 else Call.FLAT if heard_off < -6 else Call.IN_TUNE
            self._log.add_call(note_id, call, self._at.later(1.0))

    def _round(self) -> None:
        target = bent(note_hz(parse_note("F#4"), self._a4_hz), PURE["A3"]["F#4"])
        goal = RoundGoal(None, target, target, 10.0)
        played = self._log.begin_round(self.sitting, goal, self._at)
        for number, off in enumerate((-30.0, -15.0, 2.0, 1.0), 1):
            note = self._over("A3", heard("F#4", PURE["A3"]["F#4"] + off))
            self._at = self._at.later(3.0)
            marks = Marks(in_round=True, try_number=number)
            self._log.add_note(self.sitting, note, self._at, marks, played)
        self._log.end_round(played, won=False)


def fill_busy_weeks(path: Path, room: str = "north room") -> None:
    """Write the log."""
    chance = Random(20260126)
    with Logbook(path, room) as log:
        for week, days in DAYS.items():
            for day in days:
                a4_hz = 442.0 if day == HIGH_A4 else 440.0
                _Player(log, chance, week, instant(2026, *day), a4_hz).play_all()
