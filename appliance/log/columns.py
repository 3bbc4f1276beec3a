"""Logged notes in columns: a week is counted in arrays, a row is built where one is shown. Pure.

Thousands of notes are judged for one page, and hardly any of them is looked at one by one.
"""

from collections.abc import Callable, Hashable, Mapping, Sequence
from typing import Any, TypeVar, overload

import numpy as np
from numpy.typing import NDArray

from appliance.log.records import NoteRow, SittingRow, call_of, movement_of, note_row
from appliance.vocabulary import Arrival, Call, Movement

KEPT_QUESTIONS = 4  # a page asks two, or four of a week and of the week before it

_Found = TypeVar("_Found")

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Places = NDArray[np.intp]

_AS_THEY_ARE = (
    *("ended_wall_s", "landing_hz", "settled_hz", "drone_hz", "reference_hz"),
    *("shift_from_hz", "shift_likely", "measurable", "repeat", "struck", "paused", "without"),
)


class NoteColumns(Sequence[NoteRow]):
    """Some notes in their order. To others a sequence of rows; each is built when it is asked for.

    Arrays have a place for every note; pitches are in Hz and not a number where there is none.
    ``sitting`` is the place of a note's sitting among ``sittings``. ``start_s`` and ``end_s`` are
    on the monotonic clock, ``ended_wall_s`` is Unix time. ``call`` is the last verdict called.
    """

    def __init__(
        self,
        values: Mapping[str, Sequence[Any]],
        sittings: Sequence[SittingRow],
        build: Callable[[int], NoteRow],
    ) -> None:
        """Take columns by the names that :func:`columns_of` gives them."""
        self.sittings = sittings
        self.sitting = np.array(values["sitting"], np.int64)
        self.a4_hz = np.array([sitting.a4_hz for sitting in sittings])[self.sitting]
        self.ended_wall_s = _floats(values["ended_wall_s"])
        self.start_s, self.end_s = _floats(values["start_s"]), _floats(values["end_s"])
        self.landing_hz, self.settled_hz = (
            _floats(values[name]) for name in ("landing_hz", "settled_hz")
        )
        self.drone_hz, self.reference_hz = (
            _floats(values[name]) for name in ("drone_hz", "reference_hz")
        )
        self.shift_from_hz = _floats(values["shift_from_hz"])
        self.shift_likely = _floats(values["shift_likely"])
        self.measurable, self.repeat, self.struck, self.paused, self.without = (
            _flags(values[name]) for name in ("measurable", "repeat", "struck", "paused", "without")
        )
        self.slid, self.vibrated = _flags(values["slid"]), _flags(values["vibrated"])
        self.in_round = _flags(values["in_round"])
        self.movements: Sequence[Movement | None] = values["movement"]
        self.calls: Sequence[Call | None] = values["call"]
        self._build = build
        self._rows: list[NoteRow | None] = [None] * len(self.sitting)
        self._found: dict[Hashable, Any] = {}

    def __len__(self) -> int:
        """How many notes."""
        return len(self._rows)

    @overload
    def __getitem__(self, place: int) -> NoteRow: ...
    @overload
    def __getitem__(self, place: slice) -> tuple[NoteRow, ...]: ...
    def __getitem__(self, place: int | slice) -> NoteRow | tuple[NoteRow, ...]:
        """Return one row, or some."""
        if isinstance(place, slice):
            return tuple(self[index] for index in range(*place.indices(len(self))))
        row = self._rows[place]
        if row is None:
            row = self._rows[place] = self._build(range(len(self))[place])
        return row

    def __eq__(self, other: object) -> bool:
        """Tell whether the other sequence has the same rows."""
        return (
            isinstance(other, Sequence)
            and len(self) == len(other)
            and all(mine == theirs for mine, theirs in zip(self, other, strict=True))
        )

    __hash__ = None  # type: ignore[assignment]  # as a list: rows are compared, not places

    def once(self, question: Hashable, find: Callable[[], _Found]) -> _Found:
        """Return what ``find`` makes of these notes, found once for as long as they are held.

        They never change, so what is found never does. Few questions are kept, the latest.
        """
        found: _Found | None = self._found.get(question)
        if found is None:
            found = self._found[question] = find()
            for oldest in list(self._found)[:-KEPT_QUESTIONS]:
                self._found.pop(oldest, None)
        return found

    def by_sitting(self, where: Flags) -> list[tuple[SittingRow, Places]]:
        """Return the sittings with the places of those notes, in the order of their first ones."""
        places = np.flatnonzero(where)
        of_sitting = self.sitting[places]
        numbers, firsts = np.unique(of_sitting, return_index=True)
        return [
            (self.sittings[number], places[of_sitting == number])
            for number in numbers[np.argsort(firsts)].tolist()
        ]


def _floats(values: Sequence[float | None]) -> Floats:
    return np.array(values, np.float64)  # None becomes "not a number"


def _flags(values: Sequence[Any]) -> Flags:
    return np.array(values, bool)


def columns_of(rows: Sequence[NoteRow]) -> NoteColumns:
    """Lay rows out in columns, unless they lie so."""
    if isinstance(rows, NoteColumns):
        return rows
    numbers: dict[SittingRow, int] = {}
    sitting = [numbers.setdefault(row.sitting, len(numbers)) for row in rows]
    notes, marks = [row.note for row in rows], [row.marks for row in rows]
    values: dict[str, Sequence[Any]] = {
        "sitting": sitting,
        "ended_wall_s": [row.ended_at.wall_s for row in rows],
        "start_s": [note.start_s for note in notes],
        "end_s": [note.end_s for note in notes],
        "landing_hz": [note.landing_hz for note in notes],
        "settled_hz": [note.settled_hz for note in notes],
        "drone_hz": [note.drone_hz for note in notes],
        "reference_hz": [note.reference_hz for note in notes],
        "shift_from_hz": [note.shift.from_hz if note.shift else None for note in notes],
        "shift_likely": [note.shift.likely if note.shift else None for note in notes],
        "movement": [note.shift.movement if note.shift else None for note in notes],
        "measurable": [note.measurable for note in notes],
        "repeat": [note.repeat for note in notes],
        "slid": [note.arrival is Arrival.SLIDE for note in notes],
        "vibrated": [note.vibrato is not None for note in notes],
        "struck": [row.struck for row in rows],
        "paused": [mark.paused for mark in marks],
        "without": [mark.without for mark in marks],
        "in_round": [mark.in_round for mark in marks],
        "call": [row.call for row in rows],
    }
    return NoteColumns(values, list(numbers), rows.__getitem__)


def columns_of_records(
    names: Sequence[str], records: Sequence[Sequence[Any]], sittings: Mapping[int, SittingRow]
) -> NoteColumns:
    """Lay records of the note table out in columns; ``sittings`` by their row keys."""
    table = dict(zip(names, zip(*records, strict=True), strict=True)) if records else {}
    nothing = (None,) * len(records)
    numbers = {key: number for number, key in enumerate(sittings)}
    movements = {key: movement_of(sitting.instrument) for key, sitting in sittings.items()}

    def column(name: str) -> Sequence[Any]:
        return table.get(name, nothing)  # an older log has fewer columns

    def row(place: int) -> NoteRow:
        record = dict(zip(names, records[place], strict=True))
        return note_row(record, sittings[record["sitting_id"]])

    values = {
        **{name: column(name) for name in _AS_THEY_ARE},
        "sitting": [numbers[key] for key in column("sitting_id")],
        "start_s": [
            end_s - duration_ms / 1000
            for end_s, duration_ms in zip(
                column("ended_monotonic_s"), column("duration_ms"), strict=True
            )
        ],
        "end_s": column("ended_monotonic_s"),
        "movement": [
            None if hz is None else movements[key]
            for hz, key in zip(column("shift_from_hz"), column("sitting_id"), strict=True)
        ],
        "slid": [arrival == Arrival.SLIDE for arrival in column("arrival")],
        "vibrated": [rate_hz is not None for rate_hz in column("vibrato_rate_hz")],
        "in_round": [key is not None for key in column("round_id")],
        "call": [call_of(verdict) for verdict in column("verdict")],
    }
    return NoteColumns(values, list(sittings.values()), row)
