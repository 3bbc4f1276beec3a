"""The lesson sheet: one page to print, with what a lesson could begin with."""

from flask import Blueprint, render_template
from flask.typing import ResponseReturnValue

from appliance.log.weeks import ShiftLine, Week
from web import naming
from web.access import current_person, read_person
from web.cards import WEEK_LINE_HEIGHT, Card, Line, card_of, diary_of
from web.diary import Ruler, scale_for
from web.focus import read_focus, show_focus
from web.pages import asked_week, frame
from web.query import Asked
from web.staff import Staff, draw_staff

blueprint = Blueprint("lesson", __name__)

WORST = 3
STROKES = 48  # of each drawing: three stand side by side on the sheet


@blueprint.get("/lesson")
def show_lesson() -> ResponseReturnValue:
    """The worst arrivals with their side, this week beside last, and the focus."""
    asked, week, _ = asked_week()
    return render_template(
        "lesson.html",
        week=week,
        worst=_worst(week, asked),
        focus=show_focus(read_focus(asked.week), week, asked),
        person=read_person() or current_person(),
        **frame(asked),
    )


def worst_lines(week: Week) -> list[Line]:
    """Return the arrivals that most often did not land, at most three, none of them few.

    Where one shift makes at least half of the trouble of its note, the shift stands there, or else
    the note: never both.
    """
    trouble = {line.midi: _missing(line) for line in week.by_note}
    shifts = [line for line in week.by_shift if _bad(line)]
    moved = [one for one in shifts if 2 * _missing(one) >= trouble.get(one.to_midi, 0)]
    told = {line.to_midi for line in moved}
    notes = [line for line in week.by_note if _bad(line) and line.midi not in told]
    lines: list[Line] = [*moved, *notes]
    return sorted(lines, key=lambda line: -_missing(line))[:WORST]


def _bad(line: Line) -> bool:
    return not line.tally.few and _missing(line) > 0


def _missing(line: Line) -> int:
    return line.tally.count - line.tally.landed


def _worst(week: Week, asked: Asked) -> list[tuple[Card, Staff]]:
    """The worst arrivals, each with its note or its two on a staff."""
    band_cents = asked.reading.band_cents
    ruler = Ruler(band_cents, scale_for(week.landings), WEEK_LINE_HEIGHT, STROKES)
    return [
        (card_of(line, asked, diary_of(line, ruler)), draw_staff(_notes(line), naming.clef(asked)))
        for line in worst_lines(week)
    ]


def _notes(line: Line) -> tuple[int, ...]:
    return (line.from_midi, line.to_midi) if isinstance(line, ShiftLine) else (line.midi,)
