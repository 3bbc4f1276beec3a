"""The focus of a player's week as the week, before all else, and the lesson sheet show it."""

from dataclasses import dataclass

from flask import g

from appliance.log.calendar import CalendarWeek
from appliance.log.studios import Focus, StudioReader
from appliance.log.tallies import Tally
from appliance.log.weeks import Week
from web.access import whose
from web.cards import Line, line_href
from web.naming import move_name, note_name
from web.place import current_room
from web.query import Asked


@dataclass(frozen=True, slots=True)
class FocusLine:
    """One note or shift of a focus, and what became of it this week, if it was played."""

    name: str
    href: str | None
    tally: Tally | None


@dataclass(frozen=True, slots=True)
class ShownFocus:
    """A focus as a week shows it; ``drone`` is the name of a note."""

    teacher: str
    band_cents: float | None
    lines: tuple[FocusLine, ...]
    drone: str | None


def read_focus(week: CalendarWeek) -> Focus | None:
    """Return the focus of a week of the player whose log this page reads; read once a page."""
    player = whose()
    if player is None:
        return None
    read: dict[CalendarWeek, Focus | None] = g.setdefault("focus", {})
    if week not in read:
        with StudioReader(current_room().log_path) as log:
            read[week] = log.focus(player, week)
    return read[week]


def show_focus(focus: Focus | None, week: Week, asked: Asked) -> ShownFocus | None:
    """Return a focus with what became of it in the week."""
    if focus is None:
        return None
    with StudioReader(current_room().log_path) as log:
        teacher = log.person(focus.teacher_id)
    notes = {line.midi: line for line in week.by_note}
    moves = {(line.from_midi, line.to_midi): line for line in week.by_shift}
    wanted = [_line(note_name(midi), notes.get(midi), asked) for midi in focus.notes]
    moved = [_line(move_name(*move), moves.get(move), asked) for move in focus.shifts]
    return ShownFocus(
        teacher="" if teacher is None else teacher.nickname,
        band_cents=focus.band_cents,
        lines=(*wanted, *moved),
        drone=None if focus.drone_midi is None else note_name(focus.drone_midi),
    )


def _line(name: str, line: Line | None, asked: Asked) -> FocusLine:
    if line is None:
        return FocusLine(name, None, None)
    return FocusLine(name, line_href(line, asked), line.tally)
