"""The focus of a player's week: a teacher sets it, the player's week shows it first."""

import re
from dataclasses import dataclass
from typing import TypeVar

from flask import Blueprint, abort, flash, g, redirect, render_template, url_for
from flask.typing import ResponseReturnValue
from flask_wtf import FlaskForm
from wtforms import FloatField, StringField, SubmitField, ValidationError
from wtforms.validators import NumberRange, Optional

from appliance.log.calendar import CalendarWeek, WeekNameError
from appliance.log.people import Person
from appliance.log.studios import MOST_IN_FOCUS, Focus, StudioReader
from appliance.log.tallies import Tally
from appliance.log.weeks import Week
from appliance.tuning import note_name as log_name
from appliance.tuning import parse_note
from appliance.vocabulary import NoteNameError
from web.access import Who, needs, signed_in_person, whose
from web.cards import Line, line_href
from web.forms import SHORT
from web.naming import move_name, note_name
from web.place import current_room
from web.query import BAND_CENTS, Asked
from web.studio import my_player, open_studios

blueprint = Blueprint("focus", __name__)

_BETWEEN = re.compile(r"[\s,;]+")
_SHIFT = re.compile(r"(\S*?\d)[-–→>](\S*\d)")
_TYPED = {"autocapitalize": "none", "autocomplete": "off", "spellcheck": "false"}

_T = TypeVar("_T")


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


def notes_in(text: str) -> tuple[int, ...]:
    """Read notes such as ``F#4, G4``; raises ValidationError with a sentence."""
    try:
        found = tuple(dict.fromkeys(parse_note(one) for one in _BETWEEN.split(text) if one))
    except NoteNameError as error:
        raise ValidationError(f"{error}.") from None
    return _not_many(found)


def shifts_in(text: str) -> tuple[tuple[int, int], ...]:
    """Read shifts such as ``B3-G4, D4-A4``; raises ValidationError with a sentence."""
    found = []
    for one in filter(None, _BETWEEN.split(text)):
        ends = _SHIFT.fullmatch(one)
        if ends is None:
            raise ValidationError("A shift is two notes with a line between, such as B3-G4.")
        ((source,), (target,)) = notes_in(ends[1]), notes_in(ends[2])
        found.append((source, target))
    return _not_many(tuple(dict.fromkeys(found)))


def _not_many(found: tuple[_T, ...]) -> tuple[_T, ...]:
    if len(found) > MOST_IN_FOCUS:
        raise ValidationError(f"{MOST_IN_FOCUS} are enough for one week.")
    return found


class SetFocus(FlaskForm):  # type: ignore[misc]
    """What to look at in a week; what is empty is not set."""

    band = FloatField(
        f"In tune within, cents ({BAND_CENTS[0]:g} to {BAND_CENTS[1]:g})",
        validators=[Optional(), NumberRange(*BAND_CENTS, message="From %(min)g to %(max)g cents.")],
        render_kw={"inputmode": "decimal"},
    )
    notes = StringField("Notes, such as F#4, G4", validators=[SHORT], render_kw=_TYPED)
    shifts = StringField("Shifts, such as B3-G4", validators=[SHORT], render_kw=_TYPED)
    drone = StringField("Drone, such as A3", validators=[SHORT], render_kw=_TYPED)
    submit = SubmitField("Set the focus")

    def validate_notes(self, field: StringField) -> None:
        """Refuse what is no list of notes."""
        notes_in(field.data or "")

    def validate_shifts(self, field: StringField) -> None:
        """Refuse what is no list of shifts."""
        shifts_in(field.data or "")

    def validate_drone(self, field: StringField) -> None:
        """Refuse more than one note."""
        if len(notes_in(field.data or "")) > 1:
            raise ValidationError("One drone is enough.")


@blueprint.route("/focus/<person_id>/<week>", methods=["GET", "POST"])
@needs(Who.TEACHER)
def set_focus(person_id: str, week: str) -> ResponseReturnValue:
    """Set, change or take away the focus of a week of a player."""
    me, player, of_week = signed_in_person(), my_player(person_id), _week(week)
    with StudioReader(current_room().log_path) as log:
        form = _form(log.focus(person_id, of_week))
    if form.validate_on_submit():
        _save(form, player, me, of_week)
        return redirect(url_for("pages.show_week", week=str(of_week), player=person_id))
    page = render_template(
        "focus.html", form=form, player=player, week=of_week, room=current_room().settings.name
    )
    return page, 400 if form.errors else 200


def _save(form: SetFocus, player: Person, me: Person, week: CalendarWeek) -> None:
    drones = notes_in(form.drone.data or "")
    focus = Focus(
        teacher_id=me.person_id,
        band_cents=form.band.data,
        notes=notes_in(form.notes.data or ""),
        shifts=shifts_in(form.shifts.data or ""),
        drone_midi=drones[0] if drones else None,
    )
    empty = Focus(me.person_id, None, (), (), None)
    with open_studios() as log:
        if focus == empty:
            log.clear_focus(player.person_id, week)
        else:
            log.set_focus(player.person_id, week, focus)
    what = "has no focus" if focus == empty else "has this focus"
    flash(f"Week {week.number} of {player.nickname} {what} now.")


def _form(focus: Focus | None) -> SetFocus:
    if focus is None:
        return SetFocus()
    return SetFocus(
        band=focus.band_cents,
        notes=", ".join(log_name(midi) for midi in focus.notes),
        shifts=", ".join(f"{log_name(a)}-{log_name(b)}" for a, b in focus.shifts),
        drone="" if focus.drone_midi is None else log_name(focus.drone_midi),
    )


def _week(text: str) -> CalendarWeek:
    try:
        return CalendarWeek.parse(text)
    except WeekNameError:
        abort(404)


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
