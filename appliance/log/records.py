"""What the log gives back: a note as it was kept, its sitting, and how both lie in columns.

Every row id is ``room id * 2**32 + number``, where the room id is drawn at random once per room,
so the logs of several rooms can be merged without collision. As text an id is written
``1f3a9c02-17``.
"""

import re
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from typing import Any

from appliance.instruments import INSTRUMENTS
from appliance.vocabulary import (
    Arrival,
    Call,
    HeardNote,
    Instant,
    LogbookError,
    Movement,
    Shift,
    Vibrato,
)

TAKEN_BACK = "taken back"  # a verdict that is no call: the one before it spoke of another note
NUMBER_BITS = 32  # numbers within a room; the room id takes the 31 bits above, sign bit unused

_ID = re.compile(r"[0-7][0-9a-f]{7}-[0-9]{1,9}")


@dataclass(frozen=True, slots=True)
class SittingRow:
    """A stretch of practice by one player in one room; ``player`` is ``None`` while unclaimed."""

    sitting_id: str
    room: str
    player: str | None
    instrument: str
    a4_hz: float
    started_at: Instant
    ended_at: Instant | None


class EventKind(StrEnum):
    """What can happen beside notes and calls."""

    PAUSED = "paused"
    RESUMED = "resumed"
    WENT_WITHOUT = "went on without the drone"
    BROUGHT_BACK = "brought the drone back"
    ROUND_BEGUN = "round begun"
    ROUND_ENDED = "round ended"
    CHECKED_IN = "checked in"  # detail: the person's id; what follows is theirs
    CHECKED_OUT = "checked out"  # what follows is nobody's
    PEDAL_STUCK = "pedal stuck"
    PEDAL_FREE = "pedal free again"
    SOUND_GONE = "sound gone"  # nothing was heard from here on; detail: the device
    SOUND_BACK = "sound back"
    WENT_ON = "sitting went on"  # the room had been stopped in the middle of it; detail: seconds
    LOG_SET_ASIDE = "damaged log set aside"  # first thing in the new one; detail: the file
    CLOCK_SET = "clock set"  # detail: by how many seconds


@dataclass(frozen=True, slots=True)
class Marks:
    """What the foot has made of a note while it was played.

    ``paused``: the log was paused when it began. ``without``: the drone was faded out when it
    began. ``in_round``: a try of the round that was on, its ``try_number`` counted from 1, or
    without a number the note to come from.
    """

    paused: bool = False
    without: bool = False
    in_round: bool = False
    try_number: int | None = None


UNMARKED = Marks()


@dataclass(frozen=True, slots=True)
class RoundGoal:
    """What a round is about; its fields are columns.

    ``from_hz`` is the note to come from, ``None`` from silence. The target is a span of Hz, its
    ends equal where it is one pitch.
    """

    from_hz: float | None
    target_low_hz: float
    target_high_hz: float
    band_cents: float


@dataclass(frozen=True, slots=True)
class RoundRow:
    """A round: repeated tries at one arrival. ``won`` is ``None`` until it has ended."""

    round_id: str
    goal: RoundGoal
    began_at: Instant
    won: bool | None


@dataclass(frozen=True, slots=True)
class EventRow:
    """Something that happened beside notes and calls; ``detail`` such as the pedal's name."""

    kind: EventKind
    detail: str | None
    at: Instant


@dataclass(frozen=True, slots=True)
class Listened:
    """How much of a day's dose of sound somebody has used (``None``: nobody was checked in)."""

    player: str | None
    day: date
    used_percent: float


@dataclass(frozen=True, slots=True)
class NoteRow:
    """One logged note.

    The times inside ``note`` are on the monotonic clock of the boot (seconds, to the millisecond),
    so gaps between notes of one sitting can be told even where the wall clock jumped.
    ``struck``: the player struck the note out; it is kept and not counted. ``call`` is the
    player's last call on it. ``round_id`` stands in the notes of a round: its tries, and the notes
    to come from.
    """

    note_id: str
    sitting: SittingRow
    note: HeardNote
    ended_at: Instant
    struck: bool
    call: Call | None
    marks: Marks = UNMARKED
    round_id: str | None = None


def parse_id(text: str) -> int:
    """Row key of an id like ``1f3a9c02-17``; raises :class:`LogbookError` on anything else."""
    if not is_id(text):
        raise LogbookError(f"{text!r} is no id of the log; an id looks like 1f3a9c02-17.")
    room, number = text.split("-")
    return row_key(int(room, 16), int(number))


def is_id(text: str) -> bool:
    """Tell whether a text is written like an id of the log."""
    return _ID.fullmatch(text) is not None


def row_key(room_id: int, number: int) -> int:
    """Row key of a room's ``number``-th row."""
    return (room_id << NUMBER_BITS) + number


def id_text(key: int) -> str:
    """Write a row key the way people and pages see it."""
    return f"{key >> NUMBER_BITS:08x}-{key & (2**NUMBER_BITS - 1)}"


def id_sql(column: str) -> str:
    """Return the SQL that writes a column of row keys as :func:`id_text` does."""
    return f"printf('%08x-%d', {column} >> {NUMBER_BITS}, {column} & {2**NUMBER_BITS - 1})"


def _milliseconds(seconds: float | None) -> int | None:
    return None if seconds is None else round(seconds * 1000)


def note_facts(note: HeardNote) -> dict[str, Any]:
    """Columns of a note as it was heard; its times are the row's business."""
    return {
        "duration_ms": _milliseconds(note.end_s - note.start_s),
        "landing_hz": note.landing_hz,
        "landing_uncertainty_cents": note.landing_uncertainty_cents,
        "settled_hz": note.settled_hz,
        "arrival": note.arrival.value,
        "slide_ms": _milliseconds(note.slide_s),
        "vibrato_rate_hz": note.vibrato.rate_hz if note.vibrato else None,
        "vibrato_extent_cents": note.vibrato.extent_cents if note.vibrato else None,
        "shift_from_hz": note.shift.from_hz if note.shift else None,
        "shift_to_hz": note.shift.to_hz if note.shift else None,
        "shift_likely": note.shift.likely if note.shift else None,
        "drone_hz": note.drone_hz,
        "reference_hz": note.reference_hz,
        "level_db": note.level_db,
        "measurable": note.measurable,
        "repeat": note.repeat,
    }


def _heard(row: dict[str, Any], instrument: str) -> HeardNote:
    end_s = row["ended_monotonic_s"]
    vibrato = row["vibrato_rate_hz"] is not None
    return HeardNote(
        start_s=end_s - row["duration_ms"] / 1000,
        end_s=end_s,
        landing_hz=row["landing_hz"],
        landing_uncertainty_cents=row["landing_uncertainty_cents"],
        settled_hz=row["settled_hz"],
        arrival=Arrival(row["arrival"]),
        slide_s=None if row["slide_ms"] is None else row["slide_ms"] / 1000,
        vibrato=Vibrato(row["vibrato_rate_hz"], row["vibrato_extent_cents"]) if vibrato else None,
        shift=_shift(row, instrument),
        drone_hz=row["drone_hz"],
        reference_hz=row["reference_hz"],
        measurable=bool(row["measurable"]),
        repeat=bool(row["repeat"]),
        level_db=row["level_db"],
    )


def _shift(row: dict[str, Any], instrument: str) -> Shift | None:
    if row["shift_from_hz"] is None:
        return None
    movement = movement_of(instrument)
    return Shift(row["shift_from_hz"], row["shift_to_hz"], row["shift_likely"], movement)


def movement_of(instrument: str) -> Movement:
    """Return what moves on an instrument of this name."""
    played = INSTRUMENTS.get(instrument)  # a newer room may know more of them
    return Movement.SHIFT if played is None else played.movement


def call_of(verdict: str | None) -> Call | None:
    """Read the last verdict on a note."""
    return None if verdict is None or verdict == TAKEN_BACK else Call(verdict)


def note_row(row: dict[str, Any], sitting: SittingRow) -> NoteRow:
    """Read a row of the note table, with the last ``verdict`` called on it."""
    return NoteRow(
        note_id=id_text(row["id"]),
        sitting=sitting,
        note=_heard(row, sitting.instrument),
        ended_at=Instant(
            row["ended_wall_s"],
            row["ended_monotonic_s"],
            row["boot_id"] or sitting.started_at.boot_id,
            bool(row["synchronised"]),
        ),
        struck=bool(row["struck"]),
        call=call_of(row["verdict"]),
        marks=_marks(row),
        round_id=None if row.get("round_id") is None else id_text(row["round_id"]),
    )


def _marks(row: dict[str, Any]) -> Marks:
    """Marks of a note; an older log that its room has not opened yet has no columns for them."""
    return Marks(
        paused=bool(row.get("paused")),
        without=bool(row.get("without")),
        in_round=row.get("round_id") is not None,
        try_number=row.get("try_number"),
    )


def round_row(row: dict[str, Any]) -> RoundRow:
    """Read a row of the round table."""
    goal = RoundGoal(row["from_hz"], row["target_low_hz"], row["target_high_hz"], row["band_cents"])
    won = None if row["won"] is None else bool(row["won"])
    return RoundRow(id_text(row["id"]), goal, instant(row), won)


def event_row(row: dict[str, Any]) -> EventRow:
    """Read a row of the event table."""
    return EventRow(EventKind(row["kind"]), row["detail"], instant(row))


def instant_columns(at: Instant) -> dict[str, Any]:
    """Columns of a moment, as rounds and events have them."""
    return {
        "wall_s": at.wall_s,
        "monotonic_s": at.monotonic_s,
        "synchronised": at.synchronised,
        "boot_id": at.boot_id,
    }


def instant(row: dict[str, Any]) -> Instant:
    """Read the columns of a moment."""
    return Instant(row["wall_s"], row["monotonic_s"], row["boot_id"], bool(row["synchronised"]))


def sitting_row(row: dict[str, Any]) -> SittingRow:
    """Read a row of the sitting table, with its ``room``'s name."""
    ended = row["ended_wall_s"] is not None
    return SittingRow(
        sitting_id=id_text(row["id"]),
        room=row["room"],
        player=row["player"],
        instrument=row["instrument"],
        a4_hz=row["a4_hz"],
        started_at=Instant(
            row["started_wall_s"],
            row["started_monotonic_s"],
            row["boot_id"],
            bool(row["started_synchronised"]),
        ),
        ended_at=Instant(
            row["ended_wall_s"],
            row["ended_monotonic_s"],
            row["ended_boot_id"] or row["boot_id"],
            bool(row["ended_synchronised"]),
        )
        if ended
        else None,
    )
