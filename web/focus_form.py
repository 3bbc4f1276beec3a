"""The form of the focus: a teacher sets what a player's week is to look at."""

import re
from typing import TypeVar

from flask import Blueprint, abort, flash, redirect, render_template, url_for
from flask.typing import ResponseReturnValue
from flask_wtf import FlaskForm
from wtforms import StringField, SubmitField, ValidationError
from wtforms.validators import NumberRange, Optional

from appliance.log.calendar import CalendarWeek, WeekNameError
from appliance.log.people import Person
from appliance.log.studios import MOST_IN_FOCUS, Focus
from appliance.vocabulary import NoteNameError
from web.access import Who, needs, read_log_of, signed_in_person
from web.focus import read_focus
from web.forms import SHORT, Number
from web.naming import current, note_name
from web.pages import asked_week, frame
from web.query import BAND_CENTS, NAMING
from web.studio import my_player, open_studios

blueprint = Blueprint("focus", __name__)

_BETWEEN = re.compile(r"[\s,;]+")
_SHIFT = re.compile(r"(\S*?\d)[-–→>](\S*\d)")
_TYPED = {"autocapitalize": "none", "autocomplete": "off", "spellcheck": "false"}

_T = TypeVar("_T")


def notes_in(text: str) -> tuple[int, ...]:
    """Read notes such as ``F#4, G4``, named as the page names them.

    Raises ValidationError with a sentence.
    """
    read = current().read
    try:
        found = tuple(dict.fromkeys(read(one) for one in _BETWEEN.split(text) if one))
    except NoteNameError as error:
        raise ValidationError(f"{error}.") from None
    return _not_many(found)


def shifts_in(text: str) -> tuple[tuple[int, int], ...]:
    """Read shifts such as ``B3-G4, D4-A4``; raises ValidationError with a sentence."""
    found = []
    for one in filter(None, _BETWEEN.split(text)):
        ends = _SHIFT.fullmatch(one)
        if ends is None:
            raise ValidationError(
                f"A shift is two notes with a line between, such as {_typed_move(59, 67)}."
            )
        ((source,), (target,)) = notes_in(ends[1]), notes_in(ends[2])
        found.append((source, target))
    return _not_many(tuple(dict.fromkeys(found)))


def _not_many(found: tuple[_T, ...]) -> tuple[_T, ...]:
    if len(found) > MOST_IN_FOCUS:
        raise ValidationError(f"{MOST_IN_FOCUS} are enough for one week.")
    return found


class SetFocus(FlaskForm):  # type: ignore[misc]
    """What to look at in a week; what is empty is not set."""

    band = Number(
        f"In tune within, cents ({BAND_CENTS[0]:g} to {BAND_CENTS[1]:g})",
        validators=[Optional(), NumberRange(*BAND_CENTS, message="From %(min)g to %(max)g cents.")],
        render_kw={"inputmode": "decimal"},
    )
    notes = StringField("Notes", validators=[SHORT], render_kw=_TYPED)
    shifts = StringField("Shifts", validators=[SHORT], render_kw=_TYPED)
    drone = StringField("Drone", validators=[SHORT], render_kw=_TYPED)
    submit = SubmitField("Set the focus")

    def name_examples(self) -> None:
        """Say by examples how the page names notes."""
        self.notes.label.text = f"Notes, such as {note_name(66)}, {note_name(67)}"
        self.shifts.label.text = f"Shifts, such as {_typed_move(59, 67)}"
        self.drone.label.text = f"Drone, such as {note_name(57)}"

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
    read_log_of(player)
    asked, _, _ = asked_week(of_week)  # so that a note has the name that it has on the week's page
    form = _form(read_focus(of_week))
    if form.validate_on_submit():
        _save(form, player, me, of_week)
        return redirect(url_for("pages.show_week", **asked.link()))
    form.name_examples()
    page = render_template(
        "focus.html",
        form=form,
        player=player,
        week=of_week,
        switches=NAMING,
        kept=asked.switches(),
        **frame(asked),
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
        notes=", ".join(map(note_name, focus.notes)),
        shifts=", ".join(_typed_move(*move) for move in focus.shifts),
        drone="" if focus.drone_midi is None else note_name(focus.drone_midi),
    )


def _typed_move(from_midi: int, to_midi: int) -> str:
    """Write an arrival with what a keyboard has, such as ``B3-G4``."""
    return f"{note_name(from_midi)}-{note_name(to_midi)}"


def _week(text: str) -> CalendarWeek:
    try:
        return CalendarWeek.parse(text)
    except WeekNameError:
        abort(404)
