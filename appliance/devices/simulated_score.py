"""What a simulated player is going to play: pieces, habits and ears become a planned score.

The plan is the truth that what is heard is compared with. It knows nothing of sound.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from appliance.practice.pedalboard import Pedal
from appliance.tuning import error_cents, note_hz, target
from appliance.vocabulary import Arrival, Call, Vibrato

FIRST_NOTE_S = 5.0  # the drone starts at about 1 s and is listened to before playing
_CALL_AFTER_S = 0.7  # the foot answers in the silence after the note
_SILENCE_FOR_CALL_S = 1.6
_HEARS_CENTS = 8.0  # errors this large are noticed, by these ears
_EARS_SPREAD_CENTS = 2.5


@dataclass(frozen=True, slots=True)
class PieceNote:
    """One written note; ``slurred`` into it without a new bow, ``slide`` when the hand is heard."""

    midi: int
    slurred: bool = False
    slide: bool = False


Piece = tuple[PieceNote, ...]


@dataclass(frozen=True)
class Habits:
    """What an invented player does without knowing it; cents, sharp or upwards positive.

    ``landing_cents`` by MIDI note, ``shift_cents`` by (from, to) of a slide, which overrides the
    note's own. ``hears_cents``: by semitones above the drone (0 to 11), how much sharper than it is
    a note seems to these ears. ``rescue`` is how often an error that is heard gets corrected.
    """

    landing_cents: Mapping[int, float] = field(default_factory=dict)
    shift_cents: Mapping[tuple[int, int], float] = field(default_factory=dict)
    hears_cents: Mapping[int, float] = field(default_factory=dict)
    rescue: float = 0.6
    spread_cents: float = 4.0
    vibrato: float = 0.3  # share of the long notes
    calls: float = 0.4  # share of the notes followed by silence that are called by foot


@dataclass(frozen=True, slots=True)
class PlannedNote:
    """One note as it will be played. Times in seconds since the player entered the room.

    ``start_s`` is the bow's start, or where the slide or step of ``travel_s`` arrives.
    ``landing_cents`` and ``settled_cents`` are relative to ``nominal_hz``; the finger moves from
    one to the other ``corrected_after_s`` after the start (None: never). ``call_at_s`` is when the
    foot goes down.
    """

    midi: int
    nominal_hz: float
    start_s: float
    end_s: float
    arrival: Arrival
    travel_s: float
    landing_cents: float
    settled_cents: float
    corrected_after_s: float | None
    vibrato: Vibrato | None
    call: Call | None
    call_at_s: float | None

    @property
    def landing_hz(self) -> float:
        """Planned landing in Hz."""
        return float(self.nominal_hz * 2.0 ** (self.landing_cents / 1200.0))

    @property
    def settled_hz(self) -> float:
        """Planned settled pitch in Hz."""
        return float(self.nominal_hz * 2.0 ** (self.settled_cents / 1200.0))

    def later(self, by_s: float) -> "PlannedNote":
        """Return the same note, played so many seconds later."""
        call_at_s = None if self.call_at_s is None else self.call_at_s + by_s
        return replace(
            self, start_s=self.start_s + by_s, end_s=self.end_s + by_s, call_at_s=call_at_s
        )


@dataclass(frozen=True, slots=True)
class PlannedHold:
    """A pedal that is held, from ``at_s`` (seconds since the player entered the room)."""

    pedal: Pedal
    at_s: float

    def later(self, by_s: float) -> "PlannedHold":
        """Return the same hold, so many seconds later."""
        return replace(self, at_s=self.at_s + by_s)


@dataclass(frozen=True)
class Score:
    """A stretch of playing over one drone, in order, and how long it lasts in seconds.

    ``holds`` is what the foot does beside the calls of the notes.
    """

    notes: tuple[PlannedNote, ...]
    reference_hz: float
    duration_s: float
    holds: tuple[PlannedHold, ...] = ()

    def then(self, other: "Score") -> "Score":
        """Return this stretch and after it another one over the same drone."""
        return Score(
            self.notes + tuple(note.later(self.duration_s) for note in other.notes),
            self.reference_hz,
            self.duration_s + other.duration_s,
            self.holds + tuple(hold.later(self.duration_s) for hold in other.holds),
        )

    def slurs(self) -> list[tuple[PlannedNote, ...]]:
        """Return the notes grouped by bow stroke: a new group at every fresh bow."""
        groups: list[list[PlannedNote]] = []
        for note in self.notes:
            if note.arrival is Arrival.BOW:
                groups.append([])
            groups[-1].append(note)
        return [tuple(group) for group in groups]


def nominal_hz(midi: int, reference_hz: float, a4_hz: float) -> float:
    """Return the pitch the player means: just over the drone, the middle of a span."""
    aim = target(note_hz(midi, a4_hz), a4_hz=a4_hz, reference_hz=reference_hz, tuning="just")
    return float(np.sqrt(aim.low_hz * aim.high_hz))


def scale(midis: Sequence[int], slur: int = 1) -> Piece:
    """Return the notes in order, ``slur`` notes to a bow."""
    return tuple(PieceNote(midi, slurred=i % slur > 0) for i, midi in enumerate(midis))


class Planner:
    """Turns pieces into a score, the way this player plays today."""

    def __init__(
        self, habits: Habits, reference_hz: float, a4_hz: float, rng: np.random.Generator
    ) -> None:
        """Plan for a drone on ``reference_hz``; the same ``rng`` state gives the same plan."""
        self._habits = habits
        self._reference_hz = reference_hz
        self._a4_hz = a4_hz
        self._rng = rng

    def play(self, pieces: Sequence[Piece], duration_s: float) -> Score:
        """Return the pieces in turn, again and again, for as long as whole notes fit."""
        notes: list[PlannedNote] = []
        piece = 0
        while not notes or notes[-1].end_s < duration_s:
            written = pieces[piece % len(pieces)]
            for i, note in enumerate(written):
                last_of_bow = i + 1 == len(written) or not written[i + 1].slurred
                notes.append(self._note(note, notes[-1] if notes else None, last_of_bow))
            piece += 1
        while notes[-1].end_s > duration_s - _SILENCE_FOR_CALL_S and len(notes) > 1:
            notes.pop()
        return Score(tuple(notes), self._reference_hz, duration_s)

    def _note(self, written: PieceNote, before: PlannedNote | None, last: bool) -> PlannedNote:
        arrival, travel_s, start_s = self._arrive(written, before)
        landing, settled, after_s = self._finger(written, before, arrival)
        shortest_s = 1.3 if after_s is not None else 0.8
        end_s = start_s + float(self._rng.uniform(shortest_s, 2.0))
        note = PlannedNote(
            midi=written.midi,
            nominal_hz=nominal_hz(written.midi, self._reference_hz, self._a4_hz),
            start_s=start_s,
            end_s=end_s,
            arrival=arrival,
            travel_s=travel_s,
            landing_cents=landing,
            settled_cents=settled,
            corrected_after_s=after_s,
            vibrato=self._vibrato(end_s - start_s),
            call=None,
            call_at_s=None,
        )
        calls = last and self._rng.random() < self._habits.calls
        return self._called(note) if calls else note

    def _arrive(
        self, written: PieceNote, before: PlannedNote | None
    ) -> tuple[Arrival, float, float]:
        """Return how, over how many seconds, and when the note is reached."""
        if before is None:
            return Arrival.BOW, 0.0, FIRST_NOTE_S
        if not written.slurred:
            called = before.call is not None
            gap_s = _SILENCE_FOR_CALL_S if called else float(self._rng.uniform(0.08, 0.5))
            return Arrival.BOW, 0.0, before.end_s + gap_s
        fastest_s, slowest_s = (0.06, 0.15) if written.slide else (0.02, 0.04)
        travel_s = float(self._rng.uniform(fastest_s, slowest_s))
        arrival = Arrival.SLIDE if written.slide else Arrival.STEP
        return arrival, travel_s, before.end_s + travel_s

    def _finger(
        self, written: PieceNote, before: PlannedNote | None, arrival: Arrival
    ) -> tuple[float, float, float | None]:
        """Return landing, settled (cents from nominal) and when the correction starts (s)."""
        habits = self._habits
        habit = habits.landing_cents.get(written.midi, 0.0)
        if before is not None and arrival is Arrival.SLIDE:
            habit = habits.shift_cents.get((before.midi, written.midi), habit)
        landing = float(self._rng.normal(habit, habits.spread_cents))
        misheard = self._misheard(written.midi)
        heard = abs(landing + misheard) > _HEARS_CENTS
        if not heard or self._rng.random() > habits.rescue:
            return landing, landing, None
        settled = float(self._rng.normal(-misheard, _EARS_SPREAD_CENTS))
        return landing, settled, float(self._rng.uniform(0.25, 0.5))

    def _misheard(self, midi: int) -> float:
        above_drone = 12.0 * np.log2(note_hz(midi, self._a4_hz) / self._reference_hz)
        return self._habits.hears_cents.get(round(float(above_drone)) % 12, 0.0)

    def _vibrato(self, duration_s: float) -> Vibrato | None:
        if duration_s < 1.2 or self._rng.random() > self._habits.vibrato:
            return None
        return Vibrato(float(self._rng.uniform(5.0, 6.5)), float(self._rng.uniform(10.0, 20.0)))

    def _called(self, note: PlannedNote) -> PlannedNote:
        """Judge the first sound of the note, with these ears, in the silence after it."""
        aim = target(note.settled_hz, a4_hz=self._a4_hz, reference_hz=self._reference_hz)
        seems = error_cents(note.landing_hz, aim) + self._misheard(note.midi)
        seems += float(self._rng.normal(0.0, _EARS_SPREAD_CENTS))
        call = Call.IN_TUNE
        if abs(seems) > _HEARS_CENTS:
            call = Call.FLAT if seems < 0 else Call.SHARP
        return replace(note, call=call, call_at_s=note.end_s + _CALL_AFTER_S)
