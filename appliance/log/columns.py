"""Logged notes in columns: a week is counted in arrays, a row is built where one is shown. Pure.

Thousands of notes are judged for one page, and hardly any of them is looked at one by one.
"""

import math
from bisect import bisect_right
from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from contextlib import AbstractContextManager
from functools import cached_property
from itertools import accumulate, chain
from typing import Any, TypeVar, overload

import numpy as np
from numpy.typing import NDArray

from appliance.log.records import NoteRow, SittingRow, call_of, movement_of, note_row, parse_id
from appliance.vocabulary import Arrival, Call, Movement

KEPT_QUESTIONS = 2  # a page asks so many, of its week and of each sitting

_Found = TypeVar("_Found")

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Places = NDArray[np.intp]

# Columns of the note table.
_KEYS = frozenset({"id", "sitting_id", "round_id"})
_TEXTS = frozenset({"boot_id", "arrival", "verdict"})
_WHOLE = frozenset({"try_number"})
_AS_THEY_ARE = (
    *("ended_wall_s", "landing_hz", "settled_hz", "drone_hz", "reference_hz"),
    *("shift_from_hz", "shift_likely"),
)
_FLAGS = ("measurable", "repeat", "struck", "paused", "without")


class NoteColumns(Sequence[NoteRow]):
    """Some notes in their order. To others a sequence of rows; each is built when it is asked for.

    Arrays have a place for every note; pitches are in Hz and not a number where there is none.
    ``sitting`` is the place of a note's sitting among ``sittings``. ``start_s`` and ``end_s`` are
    on the monotonic clock, ``ended_wall_s`` is Unix time. ``calls`` are the last verdicts called.
    ``round_key`` is the row key of a note's round, 0 where there is none. ``own_boot``: it was
    played in the boot in which its sitting began.
    """

    def __init__(
        self,
        values: Mapping[str, Sequence[Any] | NDArray[Any]],
        sittings: Sequence[SittingRow],
        build: Callable[[int], NoteRow],
    ) -> None:
        """Take columns by the names that :func:`columns_of` gives them."""
        self.sittings = sittings
        self.sitting = _few(np.array(values["sitting"], np.int64))
        self.a4_hz = _few(np.array([sitting.a4_hz for sitting in sittings])[self.sitting])
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
        self.in_round, self.own_boot = _flags(values["in_round"]), _flags(values["own_boot"])
        self.round_key = np.asarray(values["round_key"], np.int64)
        self.try_number = _floats(values["try_number"])
        self.movements: Sequence[Movement | None] = list(values["movement"])
        self.calls: Sequence[Call | None] = list(values["call"])
        self._build = build
        self._begin()

    def _begin(self) -> None:
        self._latest: tuple[int, NoteRow] | None = None  # a page asks a row for this and that
        self._found: dict[Hashable, Any] = {}
        self._turn: AbstractContextManager[object] | None = None

    @property
    def parts(self) -> "tuple[NoteColumns, ...]":
        """What these notes were joined from, in order: every sitting is whole in one of them."""
        return (self,)

    def __len__(self) -> int:
        """How many notes."""
        return len(self.sitting)

    @overload
    def __getitem__(self, place: int) -> NoteRow: ...
    @overload
    def __getitem__(self, place: slice) -> tuple[NoteRow, ...]: ...
    def __getitem__(self, place: int | slice) -> NoteRow | tuple[NoteRow, ...]:
        """Return one row, or some."""
        if isinstance(place, slice):
            return tuple(self[index] for index in range(*place.indices(len(self))))
        place = range(len(self))[place]
        latest = self._latest
        if latest is None or latest[0] != place:
            latest = self._latest = place, self._row(place)
        return latest[1]

    def _row(self, place: int) -> NoteRow:
        return self._build(place)

    def __eq__(self, other: object) -> bool:
        """Tell whether the other sequence has the same rows."""
        return (
            isinstance(other, Sequence)
            and len(self) == len(other)
            and all(mine == theirs for mine, theirs in zip(self, other, strict=True))
        )

    __hash__ = None  # type: ignore[assignment]  # as a list: rows are compared, not places

    def once(self, question: Hashable, find: Callable[[], _Found]) -> _Found:
        """Return what ``find`` makes of these notes, found once while somebody holds them.

        They never change, so what is found never does. Few questions are kept, the last asked.
        """
        turn = self._turn
        if turn is None:
            return find()
        with turn:
            found: _Found = self._found.pop(question) if question in self._found else find()
            if self._turn is not None:  # not let go meanwhile
                self._found[question] = found
                for oldest in list(self._found)[:-KEPT_QUESTIONS]:
                    del self._found[oldest]
            return found

    def hold(self, turn: AbstractContextManager[object]) -> None:
        """Keep from now on what is found out.

        Whoever looks for it holds ``turn``, which may be taken again by its holder: those who ask
        for the same meanwhile wait, and do not look for it as well.
        """
        self._turn = turn

    def let_go(self) -> None:
        """Keep nothing any more: what was found points back here and would stay with it."""
        self._turn = None
        self._found.clear()

    @cached_property
    def of_sitting(self) -> list[SittingRow]:
        """The sitting of every note."""
        return [self.sittings[number] for number in self.sitting.tolist()]

    def by_sitting(self, where: Flags) -> list[tuple[SittingRow, Places]]:
        """Return the sittings with the places of those notes, in the order of their first ones."""
        places = np.flatnonzero(where)
        of_sitting = self.sitting[places]
        numbers, firsts = np.unique(of_sitting, return_index=True)
        return [
            (self.sittings[number], places[of_sitting == number])
            for number in numbers[np.argsort(firsts)].tolist()
        ]


class JoinedColumns(NoteColumns):
    """The notes of some columns, one or more, each later than those before, as one.

    What is found out sitting by sitting is found from the parts and stays with them. Little is
    asked of all notes at once; a column is laid together when it is.
    """

    def __init__(self, parts: Sequence[NoteColumns]) -> None:
        """Join columns that share no sitting."""
        self._parts = tuple(parts)
        self._ends = list(accumulate(map(len, parts)))
        self._begin()

    @property
    def parts(self) -> tuple[NoteColumns, ...]:
        """See :attr:`NoteColumns.parts`."""
        return self._parts

    def __len__(self) -> int:
        """How many notes."""
        return self._ends[-1]

    def __getattr__(self, name: str) -> Any:
        """Lay a column together; asked for what is not there yet."""
        if name.startswith("_"):  # no column, and perhaps not even the parts are there
            raise AttributeError(name)
        columns = [getattr(part, name) for part in self._parts]
        if name == "sitting":
            firsts = accumulate((len(part.sittings) for part in self._parts[:-1]), initial=0)
            columns = [column + first for column, first in zip(columns, firsts, strict=True)]
        lists = isinstance(columns[0], list)
        laid = list(chain.from_iterable(columns)) if lists else np.concatenate(columns)
        setattr(self, name, laid)
        return laid

    def _row(self, place: int) -> NoteRow:
        number = bisect_right(self._ends, place)
        return self._parts[number][place - (self._ends[number - 1] if number else 0)]


def _floats(values: Sequence[Any] | NDArray[Any]) -> Floats:
    return np.asarray(values, np.float64)  # None becomes "not a number"


def _few(column: NDArray[Any]) -> NDArray[Any]:
    """Return a column; where all of it is one value, that stands in memory once."""
    same = len(column) > 0 and bool((column == column[0]).all())
    return np.broadcast_to(column[0], column.shape) if same else column


def _flags(values: Sequence[Any] | NDArray[Any]) -> Flags:
    return np.asarray(values, bool)


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
        "own_boot": [row.ended_at.boot_id == row.sitting.started_at.boot_id for row in rows],
        "round_key": [parse_id(row.round_id) if row.round_id else 0 for row in rows],
        "try_number": [mark.try_number for mark in marks],
        "call": [row.call for row in rows],
    }
    return NoteColumns(values, list(numbers), rows.__getitem__)


def columns_of_table(table: "NoteTable", sittings: Mapping[int, SittingRow]) -> NoteColumns:
    """Lay the notes of a table out in columns; ``sittings`` by their row keys."""
    numbers = {key: number for number, key in enumerate(sittings)}
    movements = {key: movement_of(sitting.instrument) for key, sitting in sittings.items()}
    keys = table.column("sitting_id").tolist()
    moved = ~np.isnan(table.column("shift_from_hz"))

    def row(place: int) -> NoteRow:
        return note_row(table.record(place), sittings[keys[place]])

    values = {
        **{name: table.column(name) for name in _AS_THEY_ARE},
        **{name: table.column(name) == 1.0 for name in _FLAGS},
        "sitting": [numbers[key] for key in keys],
        "start_s": table.column("ended_monotonic_s") - table.column("duration_ms") / 1000,
        "end_s": table.column("ended_monotonic_s"),
        "movement": [
            movements[key] if so else None for so, key in zip(moved.tolist(), keys, strict=True)
        ],
        "slid": [arrival == Arrival.SLIDE for arrival in table.texts("arrival")],
        "vibrated": ~np.isnan(table.column("vibrato_rate_hz")),
        "in_round": table.column("round_id") != 0,
        "own_boot": [
            boot in (None, sittings[key].started_at.boot_id)
            for boot, key in zip(table.texts("boot_id"), keys, strict=True)
        ],
        "round_key": table.column("round_id"),
        "try_number": table.column("try_number"),
        "call": [call_of(verdict) for verdict in table.texts("verdict")],
    }
    return NoteColumns(values, list(sittings.values()), row)


def _narrow(column: NDArray[Any]) -> NDArray[Any]:
    """Return the same numbers in the smallest floats that hold every one of them."""
    if column.dtype == np.float64:
        with np.errstate(over="ignore"):
            for kind in (np.float16, np.float32):
                if np.array_equal(small := column.astype(kind), column, equal_nan=True):
                    return small
    return column


def _coded(column: Sequence[str | None]) -> tuple[list[str | None], NDArray[Any]]:
    """Return the texts that there are, each once, and which of them stands at every place."""
    places = {text: code for code, text in enumerate(dict.fromkeys(column))}
    codes = np.array([places[text] for text in column], np.min_scalar_type(len(places)))
    return list(places), codes


class NoteTable:
    """Records of the note table, column by column: a third of what they take as they come.

    They come in parts, so that many are never there as they come; none of them is lost.
    """

    def __init__(self, names: Sequence[str], parts: Iterable[Sequence[Sequence[Any]]] = ()) -> None:
        """Take records with columns of these names."""
        texts: dict[str, list[str | None]] = {name: [] for name in names if name in _TEXTS}
        numbers: dict[str, list[NDArray[Any]]] = {n: [] for n in names if n not in _TEXTS}
        self._count = 0
        for part in parts:
            self._count += len(part)
            for name, column in zip(names, zip(*part, strict=True), strict=True):
                if name in _TEXTS:
                    texts[name] += column
                elif name in _KEYS:
                    numbers[name].append(np.array([key or 0 for key in column], np.int64))
                else:
                    numbers[name].append(_floats(column))
        self._texts = {name: _coded(column) for name, column in texts.items()}
        self._numbers = {n: _narrow(np.concatenate(found)) for n, found in numbers.items() if found}

    @property
    def sitting_keys(self) -> list[int]:
        """Row keys of the sittings."""
        return sorted(
            set(self.column("sitting_id").tolist())
        )  # np.unique loads masked arrays, 2 MB

    def column(self, name: str) -> NDArray[Any]:
        """Return numbers, not a number where there is none; an older log has fewer columns."""
        if name in self._numbers:
            numbers = self._numbers[name]
            return numbers if name in _KEYS else numbers.astype(np.float64, copy=False)
        return np.zeros(self._count, np.int64) if name in _KEYS else np.full(self._count, np.nan)

    def texts(self, name: str) -> Sequence[str | None]:
        """Return texts."""
        known, codes = self._texts[name]
        return [known[code] for code in codes.tolist()]

    def record(self, place: int) -> dict[str, Any]:
        """Return one record as it came."""
        numbers = ((name, column[place].item()) for name, column in self._numbers.items())
        return {
            **{name: self._number(name, number) for name, number in numbers},
            **{name: known[codes[place]] for name, (known, codes) in self._texts.items()},
        }

    @staticmethod
    def _number(name: str, number: float) -> float | None:
        if name in _KEYS:
            return number or None
        if math.isnan(number):
            return None
        return int(number) if name in _WHOLE else number
