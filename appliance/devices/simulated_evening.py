"""What the player of the simulated room practises, so that every page has something to show.

A scale over the drone, with calls; a round on one arrival of it, until enough tries in a row have
landed; the scale once more without the drone; and it is brought back. Which tries of the round land
is written down here and not drawn by lot.
"""

import numpy as np

from appliance.devices.simulated_score import (
    Habits,
    PlannedHold,
    PlannedNote,
    Planner,
    Score,
    nominal_hz,
    scale,
)
from appliance.practice.pedalboard import Pedal
from appliance.settings import Settings
from appliance.tuning import note_hz, parse_note
from appliance.vocabulary import Arrival, Call

_MAJOR = (0, 2, 4, 5, 7, 9, 11, 12, 11, 9, 7, 5, 4, 2, 0)
_WITH_S, _WITHOUT_S = 45.0, 35.0
# The arrival of the round, in semitones above the tonic: at the fifth, which is right within two
# cents in every tuning, so that the same tries land in all of them.
_FROM, _TO = 2, 7
# How far outside the band tries land that do not, in cents; the foot says the same, where it does.
_MISSES: tuple[tuple[float, Call | None], ...] = ((-14.0, Call.FLAT), (-6.0, None), (16.0, None))
_LANDED_CENTS = (1.5, -1.0, 2.0, -1.5, 0.5)  # by turns
_LANDED_BEFORE_THE_LAST_MISS = 1
_NOTE_S, _CORRECTED_NOTE_S, _CORRECTED_AFTER_S = 1.0, 1.5, 0.4
_STEP_S, _BETWEEN_TRIES_S = 0.2, 0.6
_CALLED_AFTER_S, _AFTER_CALL_S = 0.7, 3.0  # the player listens for the answer
_BEGINS_AFTER_S, _AFTER_BEGIN_S = 0.5, 2.0
_TURNS_S, _REST_S = 1.5, 3.0


def plan_evening(settings: Settings, lowest: int, seed: int) -> Score:
    """Plan it on the drone's note, in the first octave that fits above ``lowest`` (MIDI)."""
    a4_hz = settings.room.a4_hz
    drone = parse_note(settings.drone.note)
    tonic = lowest + 2 + (drone - lowest - 2) % 12
    reference_hz = note_hz(drone, a4_hz)
    planner = Planner(Habits(), reference_hz, a4_hz, np.random.default_rng(seed))
    pieces = [scale([tonic + step for step in _MAJOR], slur) for slur in (1, 2)]
    without = planner.play(pieces, _WITHOUT_S)
    turn = PlannedHold(Pedal.RIGHT, _TURNS_S)
    parts = (
        _Round(settings, tonic, reference_hz).score(),
        Score(without.notes, reference_hz, _WITHOUT_S, (turn,)),
        Score((), reference_hz, _REST_S, (turn,)),
    )
    evening = planner.play(pieces, _WITH_S)
    for part in parts:
        evening = evening.then(part)
    return evening


class _Round:
    """Writes a round down: the arrival, the foot that begins it, and its tries."""

    def __init__(self, settings: Settings, tonic: int, reference_hz: float) -> None:
        self._band_cents = settings.room.band_cents
        self._needed = settings.practice.landed_in_a_row
        self._a4_hz = settings.room.a4_hz
        self._tonic = tonic
        self._reference_hz = reference_hz
        self._notes: list[PlannedNote] = []
        self._at_s = _BETWEEN_TRIES_S

    def score(self) -> Score:
        """Return the round as a stretch of playing."""
        self._try(*self._missed(-1.0, None))
        begins_s = self._at_s - _BETWEEN_TRIES_S + _BEGINS_AFTER_S
        self._at_s = begins_s + _AFTER_BEGIN_S
        for cents, call in self._tries():
            self._try(cents, call)
        hold = PlannedHold(Pedal.LEFT, begins_s)
        return Score(tuple(self._notes), self._reference_hz, self._at_s, (hold,))

    def _missed(self, outside: float, call: Call | None) -> tuple[float, Call | None]:
        return outside + np.sign(outside) * self._band_cents, call

    def _tries(self) -> list[tuple[float, Call | None]]:
        """Where the tries land, in cents, and how the foot calls them."""
        *first, last = [self._missed(*miss) for miss in _MISSES]
        landed = [
            (_LANDED_CENTS[number % len(_LANDED_CENTS)], None)
            for number in range(_LANDED_BEFORE_THE_LAST_MISS + self._needed)
        ]
        between = landed[:_LANDED_BEFORE_THE_LAST_MISS]
        return [*first, *between, last, *landed[_LANDED_BEFORE_THE_LAST_MISS:]]

    def _try(self, landing_cents: float, call: Call | None) -> None:
        self._play(_FROM, 0.0, None)
        self._at_s += _STEP_S
        self._play(_TO, landing_cents, call)
        self._at_s += _BETWEEN_TRIES_S if call is None else _AFTER_CALL_S

    def _play(self, above_tonic: int, landing_cents: float, call: Call | None) -> None:
        """Bow a note; one that lands outside the band is heard, and corrected."""
        midi = self._tonic + above_tonic
        lands = abs(landing_cents) <= self._band_cents
        end_s = self._at_s + (_NOTE_S if lands else _CORRECTED_NOTE_S)
        note = PlannedNote(
            midi=midi,
            nominal_hz=nominal_hz(midi, self._reference_hz, self._a4_hz),
            start_s=self._at_s,
            end_s=end_s,
            arrival=Arrival.BOW,
            travel_s=0.0,
            landing_cents=landing_cents,
            settled_cents=landing_cents if lands else 0.0,
            corrected_after_s=None if lands else _CORRECTED_AFTER_S,
            vibrato=None,
            call=call,
            call_at_s=None if call is None else end_s + _CALLED_AFTER_S,
        )
        self._notes.append(note)
        self._at_s = end_s
