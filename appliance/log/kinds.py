"""What a logged note is to a week: whether it counts among its shares, and why not. Pure."""

from collections.abc import Sequence
from enum import StrEnum

from appliance.log.records import NoteRow
from appliance.log.strings import OpenMark


class Kind(StrEnum):
    """What a logged note is to a week. Only the ordinary ones make its shares.

    Rounds oversample what is bad and end on success; a repeat shows a finger left in place; an open
    string was placed by no finger.
    """

    ORDINARY = "ordinary"
    STRUCK = "struck out"
    PAUSED = "played while the log was paused"
    TUNING = "tuning a string"
    REPEAT = "repeat"
    IN_ROUND = "in a round"
    MAY_BE_OPEN = "may be an open string"


def kinds_of(rows: Sequence[NoteRow], marks: Sequence[OpenMark | None]) -> list[Kind]:
    """Say of each note what it is; ``marks`` are those of :func:`~.strings.read_strings`."""
    return [_kind(row, mark) for row, mark in zip(rows, marks, strict=True)]


def _kind(row: NoteRow, mark: OpenMark | None) -> Kind:
    if row.struck:
        return Kind.STRUCK
    if row.marks.paused:
        return Kind.PAUSED
    if mark is OpenMark.TUNING:
        return Kind.TUNING
    if row.note.repeat:
        return Kind.REPEAT
    if row.marks.in_round:
        return Kind.IN_ROUND
    return Kind.MAY_BE_OPEN if mark is OpenMark.MAY_BE_OPEN else Kind.ORDINARY
