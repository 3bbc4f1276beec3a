"""Logged notes held against their targets: pure, from columns to landings.

The target hangs on little: the note, the drone, A4 and the reading. It is found once for all notes
that share them, and the errors are counted in arrays.
"""

import math
from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import NamedTuple, TypeVar
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from appliance.log.columns import Flags, Floats, NoteColumns, columns_of
from appliance.log.records import NoteRow, SittingRow
from appliance.tuning import A4_MIDI, UNSURE_CENTS, cents, narrowed, note_hz, target
from appliance.vocabulary import Call, Movement, Outcome

_Value = TypeVar("_Value", bound=Hashable)

_BECAME = (Outcome.UNSURE, Outcome.LANDED, Outcome.RESCUED, Outcome.MISSED)
_OUTCOME = 7  # its place among a landing's facts
QUARTER_S = 900.0  # no time zone has changed its clocks within a quarter of an hour since 1972


@dataclass(frozen=True, slots=True)
class Reading:
    """How the log is read. ``a4_hz=None``: each sitting at the A4 it was played at.

    ``count_open``: notes that may be open strings count like fingered ones. ``tonic_pc`` is a pitch
    class (C = 0), ``None``: each drone is its own tonic. ``span_edge`` is one of SPAN_EDGES.
    """

    tuning: str = "just"
    a4_hz: float | None = None
    band_cents: float = 10.0
    count_open: bool = False
    tonic_pc: int | None = None
    span_edge: str = "nearer"


class Landing(NamedTuple):
    """One counted note against its target; cents are sharp positive.

    ``drone_midi`` is the note its target refers to (``None``: none yet), ``move`` the two
    notes of a likely shift. ``spanned``: its target is a span, not one pitch. ``sounding``: the
    drone could be heard. ``may_be_open`` ones are counted only where asked for. ``row`` is built
    when it is asked for; what many ask of every note stands beside it.
    """

    rows: NoteColumns
    place: int  # among them
    day: date
    midi: int
    drone_midi: int | None
    move: tuple[int, int] | None
    movement: Movement | None  # what moved; None without a move
    likely: float  # that it moved; 0 without a move
    outcome: Outcome
    landing_cents: float
    settled_cents: float
    spanned: bool
    sounding: bool
    without: bool
    call: Call | None
    conditions: Hashable  # what two weeks must share to be compared: note, drone, sounding or not
    may_be_open: bool = False

    @property
    def row(self) -> NoteRow:
        """The note as it was logged."""
        return self.rows[self.place]

    @property
    def sitting(self) -> SittingRow:
        """The sitting it was played in."""
        return self.rows.of_sitting[self.place]

    @property
    def slid(self) -> bool:
        """Whether it was reached by an audible slide."""
        return bool(self.rows.slid[self.place])

    @property
    def correction_cents(self) -> float:
        """From the landing to the settled pitch."""
        columns, place = self.rows, self.place
        return cents(float(columns.settled_hz[place]), float(columns.landing_hz[place]))

    @property
    def direction(self) -> int:
        """Return -1 for a shift downwards, else 1: cents times this are long positive."""
        return -1 if self.move is not None and self.move[0] > self.move[1] else 1


def sittings_of(landings: Sequence[Landing]) -> list[str]:
    """Return the id of every landing's sitting, in their order; no row is built for it."""
    return [landing.rows.of_sitting[landing.place].sitting_id for landing in landings]


def judge(row: NoteRow, reading: Reading, zone: ZoneInfo | None = None) -> Landing | Outcome:
    """Hold one note against its target; without a landing the outcome says why."""
    (found,) = judge_all((row,), reading, zone)
    return found


def judge_all(
    rows: Sequence[NoteRow], reading: Reading, zone: ZoneInfo | None = None
) -> list[Landing | Outcome]:
    """Hold notes against their targets, in their order; a landing points to its part of them."""
    parts = columns_of(rows).parts
    return [found for part in parts for found in _judged(part, reading, zone)]


def _judged(
    columns: NoteColumns, reading: Reading, zone: ZoneInfo | None
) -> Sequence[Landing | Outcome]:
    found: list[Landing | Outcome] = [Outcome.NOT_MEASURABLE] * len(columns)
    measured = columns.measurable & ~np.isnan(columns.landing_hz) & ~np.isnan(columns.settled_hz)
    places = np.flatnonzero(measured)
    for place, one in zip(places.tolist(), _judge(columns, places, reading, zone), strict=True):
        found[place] = one
    return tuple(found)


def _judge(
    columns: NoteColumns, at: NDArray[np.intp], reading: Reading, zone: ZoneInfo | None
) -> list[Landing | Outcome]:
    """Judge the notes at some places; all of them are measured."""
    settled_hz = columns.settled_hz[at]
    a4_hz = columns.a4_hz[at] if reading.a4_hz is None else np.full(len(at), reading.a4_hz)
    midi = _nearest(settled_hz, a4_hz)
    low_hz, high_hz = _targets(midi, columns.reference_hz[at], a4_hz, reading)
    landing_cents = _errors(columns.landing_hz[at], low_hz, high_hz)
    settled_cents = _errors(settled_hz, low_hz, high_hz)
    became = np.select(
        [
            _unsure(settled_hz, a4_hz),
            np.abs(landing_cents) <= reading.band_cents,
            np.abs(settled_cents) <= reading.band_cents,
        ],
        [0, 1, 2],
        3,
    )
    notes = _whole(midi)
    drones = _whole(_nearest(columns.reference_hz[at], a4_hz))
    sources = _whole(_nearest(columns.shift_from_hz[at], a4_hz))
    sounding = (~np.isnan(columns.drone_hz[at])).tolist()
    facts = zip(
        at.tolist(),
        _days(columns.ended_wall_s[at], zone),
        notes,
        drones,
        _shared(
            None if source is None else (source, note)
            for source, note in zip(sources, notes, strict=True)
        ),
        [columns.movements[place] for place in at.tolist()],
        _shared(np.nan_to_num(columns.shift_likely[at]).tolist()),
        [_BECAME[code] for code in became.tolist()],
        landing_cents.tolist(),
        settled_cents.tolist(),
        (low_hz < high_hz).tolist(),
        sounding,
        columns.without[at].tolist(),
        [columns.calls[place] for place in at.tolist()],
        _shared(zip(notes, drones, sounding, strict=True)),
        strict=True,
    )
    return [
        Outcome.UNSURE if one[_OUTCOME] is Outcome.UNSURE else Landing(columns, *one)
        for one in facts
    ]


def _shared(values: Iterable[_Value]) -> list[_Value]:
    """Return the values, equal ones as the same object: many notes are kept in memory."""
    known: dict[_Value, _Value] = {}
    return [known.setdefault(value, value) for value in values]


def _nearest(hz: Floats, a4_hz: Floats) -> Floats:
    """Nearest semitones, a tie up; not a number where there is no pitch."""
    return np.floor(cents(hz, a4_hz) / 100.0 + A4_MIDI + 0.5)


def _whole(midi: Floats) -> list[int | None]:
    return [None if math.isnan(note) else int(note) for note in midi.tolist()]


def _unsure(hz: Floats, a4_hz: Floats) -> Flags:
    off = cents(hz, a4_hz) % 100.0
    return (UNSURE_CENTS[0] <= off) & (off <= UNSURE_CENTS[1])


def _targets(
    midi: Floats, reference_hz: Floats, a4_hz: Floats, reading: Reading
) -> tuple[Floats, Floats]:
    """Lowest and highest right pitch of every note."""
    references = np.nan_to_num(reference_hz).tolist()  # 0: no drone yet
    keys = list(zip(midi.tolist(), references, a4_hz.tolist(), strict=True))
    aims = {
        (midi, reference_hz, a4_hz): narrowed(
            target(
                note_hz(midi, a4_hz),
                a4_hz=a4_hz,
                reference_hz=reference_hz or None,
                tuning=reading.tuning,
                tonic_pc=reading.tonic_pc,
            ),
            reading.span_edge,
        )
        for midi, reference_hz, a4_hz in set(keys)
    }
    found = [aims[key] for key in keys]
    return np.array([aim.low_hz for aim in found]), np.array([aim.high_hz for aim in found])


def _errors(hz: Floats, low_hz: Floats, high_hz: Floats) -> Floats:
    """Cents from the nearer edge of each target, 0 inside it."""
    return cents(hz, np.clip(hz, low_hz, high_hz))


def _days(wall_s: Floats, zone: ZoneInfo | None) -> list[date]:
    quarters, of_note = np.unique(np.floor(wall_s / QUARTER_S), return_inverse=True)
    days = [datetime.fromtimestamp(s, zone).date() for s in (quarters * QUARTER_S).tolist()]
    return [days[index] for index in of_note.tolist()]
