"""What a week shows: pure, from the rows of the log to a :class:`Week`.

Pitch is logged in Hz; the target is chosen when the log is read (:mod:`~.judging`), so the same
week can be read in another tuning, at another A4, with another band.
"""

from collections import Counter, defaultdict
from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import chain
from operator import attrgetter
from statistics import fmean
from typing import TypeVar
from zoneinfo import ZoneInfo

from appliance.log.columns import NoteColumns, columns_of
from appliance.log.counted import counted_of
from appliance.log.judging import Landing, Reading, judge
from appliance.log.kinds import Kind
from appliance.log.pace import Pace, paces
from appliance.log.records import NoteRow
from appliance.log.strings import StringLine, read_strings
from appliance.log.tallies import Tally, count
from appliance.tuning import note_name
from appliance.vocabulary import Movement

__all__ = [
    "Beside",
    "Comparison",
    "Landing",
    "NoteLine",
    "Reading",
    "ShiftLine",
    "Week",
    "grouped",
    "judge",
    "landings_of",
    "read_week",
]

_Key = TypeVar("_Key")
_How = tuple[Movement, int, int]
# Asked of every landing of a week, several times over.
_midi: Callable[[Landing], int] = attrgetter("midi")
_conditions: Callable[[Landing], Hashable] = attrgetter("conditions")
_place: Callable[[Landing], tuple[int, int | None]] = attrgetter("midi", "drone_midi")


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two weeks, like for like: only notes over the same drone that both weeks have."""

    this: Tally
    before: Tally


@dataclass(frozen=True, slots=True)
class Beside:
    """Landings with the drone sounding beside those without it, the help being gone.

    Playing with a drone does not by itself carry over (Springer et al., JRME 2020, N = 68), so each
    player's own figures stand side by side, and nothing is claimed.
    ``alike_with`` and ``alike_without`` count only notes that were played both ways over the same
    drone: nothing else can be compared.
    """

    with_drone: Tally
    without: Tally
    alike_with: Tally
    alike_without: Tally


@dataclass(frozen=True, slots=True)
class NoteLine:
    """All landings of one note."""

    midi: int
    tally: Tally
    compared: Comparison | None
    landings: tuple[Landing, ...]

    @property
    def name(self) -> str:
        """Scientific pitch name."""
        return note_name(self.midi)


@dataclass(frozen=True, slots=True)
class ShiftLine:
    """All landings of one shift, slide move or leap; errors count along it, long positive.

    ``likely`` is the mean probability that hand or slide moved at all.
    """

    movement: Movement
    from_midi: int
    to_midi: int
    likely: float
    tally: Tally
    compared: Comparison | None
    landings: tuple[Landing, ...]

    @property
    def name(self) -> str:
        """The two notes, such as ``B3→G4``."""
        return f"{note_name(self.from_midi)}→{note_name(self.to_midi)}"

    @property
    def pair(self) -> str:
        """The two notes as MIDI numbers, such as ``59-67``: a name that fits into a link."""
        return f"{self.from_midi}-{self.to_midi}"


@dataclass(frozen=True, slots=True)
class Week:
    """What a week shows. Lines are sorted by trouble: most notes not landed first.

    ``undroned`` landings had no drone yet to refer to; they are read in equal temperament.
    ``strings`` are the open strings, sitting by sitting. ``landings`` and ``landings_before`` are
    what is counted, this week and the week before, in order; ``notes`` all notes of this week.
    """

    total: Tally
    before: Tally
    compared: Comparison | None
    beside: Beside
    by_note: tuple[NoteLine, ...]
    by_shift: tuple[ShiftLine, ...]
    unsure: int
    not_measurable: int
    repeats: int
    struck: int
    paused: int
    in_rounds: int
    tuning_strings: int
    may_be_open: int
    undroned: int
    paces: tuple[Pace, ...]
    strings: tuple[StringLine, ...]
    landings: tuple[Landing, ...]
    landings_before: tuple[Landing, ...]
    notes: NoteColumns

    @property
    def heard(self) -> int:
        """How many notes were heard at all, counted or not."""
        marked = self.struck + self.paused + self.in_rounds
        bowed = self.tuning_strings + self.may_be_open
        judged = self.total.count + self.unsure + self.not_measurable
        return judged + self.repeats + marked + bowed


def read_week(
    rows: Sequence[NoteRow],
    rows_before: Sequence[NoteRow],
    reading: Reading,
    zone: ZoneInfo | None = None,
) -> Week:
    """Read a week's rows, and those of the week before, by one tuning, A4 and band.

    Unsure and not measurable notes are counted apart, and so is every note that is no ordinary one
    (see :class:`~.kinds.Kind`).
    """
    this, before = columns_of(rows), columns_of(rows_before)

    def find() -> tuple[Week, NoteColumns]:
        return _read_week(this, before, reading, zone), before  # which so keeps its id

    return this.once(("week", id(before), reading, zone), find)[0]


def _read_week(
    rows: NoteColumns, rows_before: NoteColumns, reading: Reading, zone: ZoneInfo | None
) -> Week:
    parts = counted_of(rows, reading, zone)
    kinds: Counter[Kind] = Counter()
    for part in parts:
        kinds.update(part.kinds)
    landings = tuple(chain.from_iterable(part.landings for part in parts))
    earlier = _earlier(rows_before, reading, zone)
    total = tally_of(landings)
    strings = read_strings(rows)
    return Week(
        total=total,
        before=earlier.total,
        compared=_compare(landings, earlier.landings, total),
        beside=_beside(landings),
        by_note=_note_lines(landings, earlier),
        by_shift=_shift_lines(landings, earlier),
        unsure=sum(part.unsure for part in parts),
        not_measurable=sum(part.not_measurable for part in parts),
        repeats=kinds[Kind.REPEAT],
        struck=kinds[Kind.STRUCK],
        paused=kinds[Kind.PAUSED],
        in_rounds=kinds[Kind.IN_ROUND],
        tuning_strings=kinds[Kind.TUNING],
        may_be_open=0 if reading.count_open else kinds[Kind.MAY_BE_OPEN],
        undroned=sum(landing.drone_midi is None for landing in landings),
        paces=tuple(paces(rows)),
        strings=strings.lines,
        landings=landings,
        landings_before=earlier.landings,
        notes=rows,
    )


def landings_of(
    rows: Sequence[NoteRow], reading: Reading, zone: ZoneInfo | None = None
) -> list[Landing]:
    """Return the counted landings among some rows, in their order."""
    return list(chain.from_iterable(part.landings for part in counted_of(rows, reading, zone)))


def passage_of(rows: Sequence[NoteRow], reading: Reading) -> Counter[int]:
    """Return how often each note was played (by MIDI number), open strings too."""
    every = replace(reading, count_open=True)
    return Counter(landing.midi for landing in landings_of(rows, every))


def tally_of(landings: Sequence[Landing]) -> Tally:
    """Count some landings, sharp positive."""
    return count(
        [landing.outcome for landing in landings], [landing.landing_cents for landing in landings]
    )


def tally_along(landings: Sequence[Landing]) -> Tally:
    """Count some arrivals, long positive."""
    return count(
        [landing.outcome for landing in landings],
        [landing.direction * landing.landing_cents for landing in landings],
    )


def _compare(
    this: Sequence[Landing],
    before: Sequence[Landing],
    counted: Tally,
    count: Callable[[Sequence[Landing]], Tally] = tally_of,
) -> Comparison | None:
    """Compare with the week before; ``counted`` is the tally of all of this week's."""
    common = set(map(_conditions, this)) & set(map(_conditions, before))
    if not common:
        return None
    alike = [landing for landing in this if landing.conditions in common]
    return Comparison(
        counted if len(alike) == len(this) else count(alike),
        count([landing for landing in before if landing.conditions in common]),
    )


def _beside(landings: Sequence[Landing]) -> Beside:
    without = [landing for landing in landings if landing.without]
    sounding = [landing for landing in landings if landing.sounding and not landing.without]
    both = set(map(_place, without)) & set(map(_place, sounding)) if without else set()
    alike = [landing for landing in sounding if _place(landing) in both] if both else []
    return Beside(
        tally_of(sounding),
        tally_of(without),
        tally_of(alike),
        tally_of([landing for landing in without if _place(landing) in both]),
    )


def grouped(
    landings: Iterable[Landing], key: Callable[[Landing], _Key | None]
) -> dict[_Key, list[Landing]]:
    """Sort landings into groups; those without a key are left out."""
    groups: dict[_Key, list[Landing]] = defaultdict(list)
    for landing in landings:
        if (name := key(landing)) is not None:
            groups[name].append(landing)
    return groups


@dataclass(frozen=True, slots=True)
class _Earlier:
    """What a week is compared with: the week before, and the lines that were made beside it.

    While it stays the same only those lines of this week are made anew that have other landings.
    """

    landings: tuple[Landing, ...]
    total: Tally
    by_note: Mapping[int, list[Landing]]
    by_shift: Mapping[_How, list[Landing]]
    notes: dict[int, NoteLine]
    shifts: dict[_How, ShiftLine]


def _earlier(rows: NoteColumns, reading: Reading, zone: ZoneInfo | None) -> _Earlier:
    def find() -> _Earlier:
        landings = tuple(landings_of(rows, reading, zone))
        by_note, by_shift = grouped(landings, _midi), grouped(landings, _how)
        return _Earlier(landings, tally_of(landings), by_note, by_shift, {}, {})

    return rows.once(("earlier", reading, zone), find)


def _note_lines(this: Iterable[Landing], earlier: _Earlier) -> tuple[NoteLine, ...]:
    lines = []
    for midi, group in grouped(this, _midi).items():
        line, landings = earlier.notes.get(midi), tuple(group)
        if line is None or line.landings != landings:
            tally = tally_of(landings)
            compared = _compare(landings, earlier.by_note.get(midi, ()), tally)
            earlier.notes[midi] = line = NoteLine(midi, tally, compared, landings)
        lines.append(line)
    return tuple(sorted(lines, key=lambda line: (*_trouble(line.tally), line.midi)))


def _shift_lines(this: Iterable[Landing], earlier: _Earlier) -> tuple[ShiftLine, ...]:
    lines = []
    for how, group in grouped(this, _how).items():
        line, landings = earlier.shifts.get(how), tuple(group)
        if line is None or line.landings != landings:
            tally = tally_along(landings)
            compared = _compare(landings, earlier.by_shift.get(how, ()), tally, tally_along)
            likely = fmean(found.likely for found in landings)
            line = earlier.shifts[how] = ShiftLine(*how, likely, tally, compared, landings)
        lines.append(line)
    return tuple(sorted(lines, key=lambda line: (*_trouble(line.tally), line.name)))


def _how(landing: Landing) -> _How | None:
    """How a note was arrived at: what moved, from where, to where."""
    if landing.movement is None or landing.move is None:
        return None
    return landing.movement, *landing.move


def _trouble(tally: Tally) -> tuple[int, int]:
    """Sort key: most notes not landed first, then the most played."""
    return tally.landed - tally.count, -tally.count
