"""What a week shows: pure, from the rows of the log to a :class:`Week`.

Pitch is logged in Hz; the target is chosen here, when the log is read, so the same week can be
read in another tuning, at another A4, with another band.
"""

from collections import Counter, defaultdict
from collections.abc import Callable, Hashable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from statistics import fmean
from typing import TypeVar
from zoneinfo import ZoneInfo

from appliance.log.kinds import Kind, kinds_of
from appliance.log.pace import Pace, paces
from appliance.log.records import NoteRow
from appliance.log.strings import StringLine, read_strings
from appliance.log.tallies import COUNTED, Tally, tally
from appliance.tuning import error_cents, narrowed, nearest_note, note_name, outcome, target
from appliance.vocabulary import Outcome

_Key = TypeVar("_Key")


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


@dataclass(frozen=True, slots=True)
class Landing:
    """One counted note against its target; cents are sharp positive.

    ``drone_midi`` is the note its target refers to (``None``: none yet), ``move`` the two
    notes of a likely shift. ``spanned``: its target is a span, not one pitch. ``may_be_open`` ones
    are counted only where asked for.
    """

    row: NoteRow
    day: date
    midi: int
    drone_midi: int | None
    move: tuple[int, int] | None
    outcome: Outcome
    landing_cents: float
    settled_cents: float
    spanned: bool
    may_be_open: bool = False

    @property
    def conditions(self) -> Hashable:
        """What two weeks must share to be compared: note, drone, and whether it sounded."""
        return self.midi, self.drone_midi, self.row.note.drone_hz is not None

    @property
    def direction(self) -> int:
        """Return -1 for a shift downwards, else 1: cents times this are long positive."""
        return -1 if self.move is not None and self.move[0] > self.move[1] else 1


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two weeks, like for like: only notes over the same drone that both weeks have."""

    this: Tally
    before: Tally


@dataclass(frozen=True, slots=True)
class Beside:
    """Landings with the drone sounding beside those without it, the help being gone.

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
    """All landings of one shift; its errors count along the move, long positive.

    ``likely`` is the mean probability that the hand moved at all.
    """

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
    what is counted, this week and the week before, in order.
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

    @property
    def heard(self) -> int:
        """How many notes were heard at all, counted or not."""
        marked = self.struck + self.paused + self.in_rounds
        bowed = self.tuning_strings + self.may_be_open
        judged = self.total.count + self.unsure + self.not_measurable
        return judged + self.repeats + marked + bowed


def read_week(
    rows: Iterable[NoteRow],
    rows_before: Iterable[NoteRow],
    reading: Reading,
    zone: ZoneInfo | None = None,
) -> Week:
    """Read a week's rows, and those of the week before, by one tuning, A4 and band.

    Unsure and not measurable notes are counted apart, and so is every note that is no ordinary one
    (see :class:`~.kinds.Kind`).
    """
    rows = tuple(rows)
    strings = read_strings(rows)
    kinds = Counter(kinds_of(rows, strings.marks))
    judged = _judged(rows, reading, zone)
    landings = [found for found in judged if isinstance(found, Landing)]
    before = landings_of(rows_before, reading, zone)
    return Week(
        total=_tally(landings),
        before=_tally(before),
        compared=_compare(landings, before),
        beside=_beside(landings),
        by_note=_note_lines(landings, before),
        by_shift=_shift_lines(landings, before),
        unsure=judged.count(Outcome.UNSURE),
        not_measurable=judged.count(Outcome.NOT_MEASURABLE),
        repeats=kinds[Kind.REPEAT],
        struck=kinds[Kind.STRUCK],
        paused=kinds[Kind.PAUSED],
        in_rounds=kinds[Kind.IN_ROUND],
        tuning_strings=kinds[Kind.TUNING],
        may_be_open=0 if reading.count_open else kinds[Kind.MAY_BE_OPEN],
        undroned=sum(landing.drone_midi is None for landing in landings),
        paces=tuple(paces(rows)),
        strings=strings.lines,
        landings=tuple(landings),
        landings_before=tuple(before),
    )


def landings_of(
    rows: Iterable[NoteRow], reading: Reading, zone: ZoneInfo | None = None
) -> list[Landing]:
    """Return the counted landings among some rows, in their order."""
    judged = _judged(tuple(rows), reading, zone)
    return [found for found in judged if isinstance(found, Landing)]


def _judged(
    rows: Sequence[NoteRow], reading: Reading, zone: ZoneInfo | None
) -> list[Landing | Outcome]:
    """Hold against their targets the notes that count."""
    judged = []
    for row, kind in zip(rows, kinds_of(rows, read_strings(rows).marks), strict=True):
        found = judge(row, reading, zone)
        if kind is Kind.ORDINARY:
            judged.append(found)
        elif kind is Kind.MAY_BE_OPEN and reading.count_open:
            judged.append(replace(found, may_be_open=True) if isinstance(found, Landing) else found)
    return judged


def judge(row: NoteRow, reading: Reading, zone: ZoneInfo | None = None) -> Landing | Outcome:
    """Hold one note against its target; without a landing the outcome says why."""
    note = row.note
    if not note.measurable or note.landing_hz is None or note.settled_hz is None:
        return Outcome.NOT_MEASURABLE
    a4_hz = reading.a4_hz or row.sitting.a4_hz
    aim = target(
        note.settled_hz,
        a4_hz=a4_hz,
        reference_hz=note.reference_hz,
        tuning=reading.tuning,
        tonic_pc=reading.tonic_pc,
    )
    aim = narrowed(aim, reading.span_edge)
    result = outcome(note, aim, reading.band_cents)
    if result not in COUNTED:
        return result
    return Landing(
        row=row,
        day=datetime.fromtimestamp(row.ended_at.wall_s, zone).date(),
        midi=aim.midi,
        drone_midi=None if note.reference_hz is None else nearest_note(note.reference_hz, a4_hz),
        move=None if note.shift is None else (nearest_note(note.shift.from_hz, a4_hz), aim.midi),
        outcome=result,
        landing_cents=error_cents(note.landing_hz, aim),
        settled_cents=error_cents(note.settled_hz, aim),
        spanned=aim.low_hz < aim.high_hz,
    )


def _tally(landings: Iterable[Landing]) -> Tally:
    return tally([(landing.outcome, landing.landing_cents) for landing in landings])


def _shift_tally(landings: Iterable[Landing]) -> Tally:
    return tally(
        [(landing.outcome, landing.direction * landing.landing_cents) for landing in landings]
    )


def _compare(
    this: Sequence[Landing],
    before: Sequence[Landing],
    count: Callable[[Iterable[Landing]], Tally] = _tally,
) -> Comparison | None:
    common = {landing.conditions for landing in this} & {landing.conditions for landing in before}
    if not common:
        return None
    return Comparison(
        count(landing for landing in this if landing.conditions in common),
        count(landing for landing in before if landing.conditions in common),
    )


def _beside(landings: Sequence[Landing]) -> Beside:
    without = [landing for landing in landings if landing.row.marks.without]
    sounding = [
        landing
        for landing in landings
        if landing.row.note.drone_hz is not None and not landing.row.marks.without
    ]
    both = {_place(landing) for landing in without} & {_place(landing) for landing in sounding}
    return Beside(
        _tally(sounding),
        _tally(without),
        _tally(landing for landing in sounding if _place(landing) in both),
        _tally(landing for landing in without if _place(landing) in both),
    )


def _place(landing: Landing) -> tuple[int, int | None]:
    return landing.midi, landing.drone_midi


def grouped(
    landings: Iterable[Landing], key: Callable[[Landing], _Key | None]
) -> dict[_Key, list[Landing]]:
    """Sort landings into groups; those without a key are left out."""
    groups: dict[_Key, list[Landing]] = defaultdict(list)
    for landing in landings:
        if (name := key(landing)) is not None:
            groups[name].append(landing)
    return groups


def _note_lines(this: Iterable[Landing], before: Iterable[Landing]) -> tuple[NoteLine, ...]:
    earlier = grouped(before, lambda landing: landing.midi)
    lines = (
        NoteLine(midi, _tally(group), _compare(group, earlier.get(midi, ())), tuple(group))
        for midi, group in grouped(this, lambda landing: landing.midi).items()
    )
    return tuple(sorted(lines, key=lambda line: (*_trouble(line.tally), line.midi)))


def _shift_lines(this: Iterable[Landing], before: Iterable[Landing]) -> tuple[ShiftLine, ...]:
    earlier = grouped(before, lambda landing: landing.move)
    lines = (
        ShiftLine(
            *move,
            likely=fmean(shift.likely for found in group if (shift := found.row.note.shift)),
            tally=_shift_tally(group),
            compared=_compare(group, earlier.get(move, ()), _shift_tally),
            landings=tuple(group),
        )
        for move, group in grouped(this, lambda landing: landing.move).items()
    )
    return tuple(sorted(lines, key=lambda line: (*_trouble(line.tally), line.name)))


def _trouble(tally: Tally) -> tuple[int, int]:
    """Sort key: most notes not landed first, then the most played."""
    return tally.landed - tally.count, -tally.count
