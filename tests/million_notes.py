"""How an invented player of the million notes plays: habits, and one sitting from them.

Shares and sizes are plausible, no source: what the pages cost hangs on them little.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from appliance.instruments import INSTRUMENTS
from appliance.tuning import note_hz, open_string_hz, target

_SCALE = (0, 2, 4, 5, 7, 9, 11)
_CALLS = ("flat", "in tune", "sharp")
ROUND_NOTES = 24  # a note to come from, a try, and so on

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Habits:
    """What a player does: which notes, and how each of them tends to land."""

    instrument: str
    notes: NDArray[np.int64]  # MIDI: a scale over two octaves and a half, and four others
    bias_cents: Floats  # of each of the notes
    spread_cents: float
    corrects: float  # share of the error that the ear takes back
    a4_hz: float
    drones: tuple[int, ...]  # MIDI

    @classmethod
    def draw(cls, chance: np.random.Generator, instrument: str) -> "Habits":
        """Draw a player of this instrument."""
        lowest = INSTRUMENTS[instrument].lowest
        tonic = lowest + int(chance.integers(0, 12))
        span = range(lowest, lowest + 31)
        scale = [midi for midi in span if (midi - tonic) % 12 in _SCALE]
        others = chance.choice([midi for midi in span if midi not in scale], 4, replace=False)
        notes = np.array(sorted([*scale, *others.tolist()]))
        return cls(
            instrument=instrument,
            notes=notes,
            bias_cents=chance.normal(0.0, 7.0, notes.size),
            spread_cents=float(chance.uniform(5.0, 14.0)),
            corrects=float(chance.uniform(0.3, 0.9)),
            a4_hz=float(chance.choice([440.0, 440.0, 442.0])),
            drones=(tonic, tonic + 7, tonic + 5),
        )


@dataclass(frozen=True, slots=True)
class Played:
    """One sitting as columns of the note table; ``ends_s`` counts from its begin.

    ``round_begins`` is where a round of ROUND_NOTES notes begins, if one was played.
    """

    a4_hz: float
    ends_s: Floats
    columns: dict[str, list[Any]]
    calls: list[str | None]
    round_begins: int | None


def played_sitting(chance: np.random.Generator, habits: Habits, count: int) -> Played:
    """Play so many notes: the strings first, then up and down over two drones."""
    strings = INSTRUMENTS[habits.instrument].strings
    tuned = np.arange(count) < 2 * len(strings)
    index = _walk(chance, habits.notes.size, count)
    midi = np.where(tuned, np.resize(np.repeat(strings or (0,), 2), count), habits.notes[index])
    drone_hz = np.where(tuned, note_hz(57, habits.a4_hz), _drones(chance, habits, count))
    open_hz = _looked_up(
        lambda string: open_string_hz(INSTRUMENTS[habits.instrument], string, habits.a4_hz),
        midi,
        np.isin(midi, strings),
    )
    is_open = tuned | ((open_hz > 0.0) & (chance.random(count) < 0.4))
    landing = habits.bias_cents[index] + chance.normal(0.0, habits.spread_cents, count)
    settled = landing * (1.0 - habits.corrects) + chance.normal(0.0, 2.0, count)
    settled += np.where(chance.random(count) < 0.01, 50.0, 0.0)  # between two notes
    landing, settled = (np.where(is_open, 1.0, off) for off in (landing, settled))
    right_hz = np.where(is_open, open_hz, _right_hz(midi, drone_hz, habits.a4_hz))
    landing_hz, settled_hz = (right_hz * 2.0 ** (off / 1200.0) for off in (landing, settled))
    pitches = _Pitches(midi, is_open, drone_hz, landing_hz, settled_hz, landing)
    return _written(chance, habits.a4_hz, pitches)


def _walk(chance: np.random.Generator, places: int, count: int) -> NDArray[np.int64]:
    """Walk up and down a row of places in steps of up to two."""
    walk = np.cumsum(chance.integers(-2, 3, count)) + chance.integers(0, places)
    return np.abs(walk % (2 * places - 2) - (places - 1))


def _drones(chance: np.random.Generator, habits: Habits, count: int) -> Floats:
    first, second = chance.choice(habits.drones, 2, replace=False)
    turn = int(chance.integers(0, count))
    hz = [note_hz(int(midi), habits.a4_hz) for midi in (first, second)]
    return np.where(np.arange(count) < turn, *hz)


def _right_hz(midi: NDArray[np.int64], drone_hz: Floats, a4_hz: float) -> Floats:
    """Where each note is right in just intonation over its drone."""
    right = np.zeros(midi.size)
    for hz in np.unique(drone_hz).tolist():
        over = drone_hz == hz
        right[over] = _looked_up(
            lambda note, hz=hz: target(note_hz(note, a4_hz), a4_hz=a4_hz, reference_hz=hz).low_hz,
            midi[over],
            np.ones(int(over.sum()), bool),
        )
    return right


def _looked_up(find: Any, midi: NDArray[np.int64], where: Flags) -> Floats:
    """Find a value for each note, once for notes that are the same; 0 elsewhere."""
    found = np.zeros(midi.size)
    for note in np.unique(midi[where]).tolist():
        found[where & (midi == note)] = find(note)
    return found


@dataclass(frozen=True, slots=True)
class _Pitches:
    """What was played, note by note."""

    midi: NDArray[np.int64]
    is_open: Flags
    drone_hz: Floats
    landing_hz: Floats
    settled_hz: Floats
    landing_cents: Floats


def _written(chance: np.random.Generator, a4_hz: float, played: _Pitches) -> Played:
    """Add how each note was reached and held, and write it as the log has it."""
    midi, is_open, settled_hz = played.midi, played.is_open, played.settled_hz
    count = midi.size
    measured = chance.random(count) > 0.06
    duration_ms = np.where(measured, chance.integers(300, 2500, count), 180)
    moved = np.diff(midi, prepend=midi[0]) != 0
    shifted = (chance.random(count) < 0.22) & moved & measured & ~is_open
    slid = shifted & (chance.random(count) < 0.6)
    vibrated = (chance.random(count) < 0.4) & measured & ~is_open
    without = (chance.random(count // 40 + 1) < 0.08).repeat(40)[:count]
    legato = chance.random(count) < 0.5
    return Played(
        a4_hz,
        np.round(np.cumsum(duration_ms / 1000.0 + chance.gamma(2.0, 0.7, count)), 3),
        {
            "duration_ms": duration_ms.tolist(),
            "landing_hz": _where(measured, played.landing_hz),
            "landing_uncertainty_cents": _where(measured, chance.gamma(3.0, 0.3, count)),
            "settled_hz": _where(measured, settled_hz),
            "arrival": np.where(slid, "slide", np.where(legato & ~is_open, "step", "bow")).tolist(),
            "slide_ms": _where(slid, chance.integers(40, 250, count)),
            "vibrato_rate_hz": _where(vibrated, chance.normal(5.8, 0.4, count)),
            "vibrato_extent_cents": _where(vibrated, chance.gamma(6.0, 2.5, count)),
            "shift_from_hz": _where(shifted, np.roll(settled_hz, 1)),
            "shift_to_hz": _where(shifted, settled_hz),
            "shift_likely": _where(shifted, chance.uniform(0.5, 1.0, count)),
            "drone_hz": _where(~without, played.drone_hz),
            "reference_hz": played.drone_hz.tolist(),
            "level_db": chance.normal(-24.0, 5.0, count).tolist(),
            "measurable": measured.astype(int).tolist(),
            "repeat": ((chance.random(count) < 0.04) & ~is_open).astype(int).tolist(),
            "struck": (chance.random(count) < 0.01).astype(int).tolist(),
            "without": without.astype(int).tolist(),
        },
        _calls(chance, played.landing_cents, measured),
        int(chance.integers(30, count - ROUND_NOTES))
        if count > 2 * ROUND_NOTES + 30 and chance.random() < 0.5
        else None,
    )


def _where(true: Flags, values: NDArray[Any]) -> list[Any]:
    pairs = zip(values.tolist(), true.tolist(), strict=True)
    return [value if is_so else None for value, is_so in pairs]


def _calls(chance: np.random.Generator, landing_cents: Floats, measured: Flags) -> list[str | None]:
    """Call one note of twelve, by an ear that errs by a few cents."""
    heard = landing_cents + chance.normal(0.0, 4.0, landing_cents.size)
    said = np.digitize(heard, (-6.0, 6.0))
    called = measured & (chance.random(said.size) < 1 / 12)
    return [_CALLS[word] if is_so else None for word, is_so in zip(said, called, strict=True)]
