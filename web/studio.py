"""Studios: a teacher prints a card, a player accepts it; either may end it again at any time."""

from math import ceil

from flask import Blueprint, abort, flash, redirect, render_template, request, url_for
from flask import current_app as app
from flask.typing import ResponseReturnValue
from flask_wtf import FlaskForm
from wtforms import HiddenField, StringField, SubmitField
from wtforms.validators import Length

from appliance.log.people import Person
from appliance.log.records import is_id
from appliance.log.studios import StudioReader, Studios
from web.access import Who, needs, signed_in_person
from web.door_card import page_address, qr_code
from web.forms import FILLED, SHORT
from web.pin_tries import PinTries, Trier, place_of
from web.place import current_room

blueprint = Blueprint("studio", __name__)

CARDS = "\0card "  # no nickname's key begins so: wrong codes are counted for each person


class AcceptCard(FlaskForm):  # type: ignore[misc]
    """The code of a card; asked about before it is accepted."""

    code = StringField(
        "Code on the studio card",
        validators=[FILLED, SHORT],
        render_kw={"autocomplete": "off", "autocapitalize": "characters", "spellcheck": "false"},
    )
    sure = HiddenField(validators=[Length(max=3)])
    submit = SubmitField("Look at it")


def open_studios() -> Studios:
    """Open the log for changing studios."""
    room = current_room()
    return Studios(room.log_path, room.settings.name)


@blueprint.get("/studio-card")
@needs(Who.TEACHER)
def show_card() -> ResponseReturnValue:
    """Show the card to print."""
    with StudioReader(current_room().log_path) as log:
        code = log.card_of(signed_in_person().person_id)
    address = "" if code is None else f"{page_address().rstrip('/')}/studio?code={code}"
    return render_template(
        "studio_card.html",
        code=code,
        address=page_address(),
        drawn=qr_code(address) if code else "",
        teacher=signed_in_person(),
        room=current_room().settings.name,
    )


@blueprint.post("/studio-card")
@needs(Who.TEACHER)
def make_card() -> ResponseReturnValue:
    """Make a card with a new code."""
    with open_studios() as log:
        log.make_card(signed_in_person().person_id)
    flash("The card has a new code. One that you printed before is void.")
    return redirect(url_for("studio.show_card"))


@blueprint.route("/studio", methods=["GET", "POST"])
@needs(Who.PLAYER)
def show_studios() -> ResponseReturnValue:
    """Who reads one's log; accept a card."""
    signed_in_person()
    form = AcceptCard()
    if form.validate_on_submit():
        return _accept(form)
    if request.method == "GET":
        form.code.data = request.args.get("code", "")[:50]
    return _show(form, 400 if form.errors else 200)


@blueprint.post("/studio/<teacher_id>/leave")
@needs(Who.PLAYER)
def leave(teacher_id: str) -> ResponseReturnValue:
    """Leave a studio."""
    if not is_id(teacher_id):
        abort(404)
    _part(teacher_id, signed_in_person().person_id)
    flash("You have left: this teacher cannot read your log any more.")
    return redirect(url_for("studio.show_studios"))


@blueprint.post("/studio/<person_id>/let-go")
@needs(Who.TEACHER)
def let_go(person_id: str) -> ResponseReturnValue:
    """Let a player of one's own studio go."""
    player = my_player(person_id)
    _part(signed_in_person().person_id, player.person_id)
    flash(f"{player.nickname} is not in your studio any more, and you cannot read their log.")
    return redirect(url_for("people.show_people"))


def my_player(person_id: str) -> Person:
    """Return a player who accepted one's card; of all others nobody learns whether they exist."""
    with StudioReader(current_room().log_path) as log:
        players = log.players_of(signed_in_person().person_id)
    player = next((one for one in players if one.person_id == person_id), None)
    if player is None:
        abort(403)
    return player


def _part(teacher_id: str, player_id: str) -> None:
    with open_studios() as log:
        log.part(teacher_id, player_id, current_room().this_week)


def _accept(form: AcceptCard) -> ResponseReturnValue:
    teacher, status = _teacher_of(form)
    if teacher is None:
        return _show(form, status)
    if form.sure.data != "yes":
        form.sure.data = "yes"
        return _show(form, 200, teacher)
    with open_studios() as log:
        log.accept(teacher.person_id, signed_in_person().person_id, current_room().now_s())
    flash(f"{teacher.nickname} can read your log from now on.")
    return redirect(url_for("studio.show_studios"))


def _teacher_of(form: AcceptCard) -> tuple[Person | None, int]:
    """Return whose card it is, or with the form's errors filled the status to answer with."""
    tries: PinTries = app.extensions["pin_tries"]
    trier = Trier(CARDS + signed_in_person().person_id, place_of(request.remote_addr))
    if wait_s := tries.begin(trier):
        form.code.errors.append(f"Too many wrong codes. Try again in {ceil(wait_s / 60)} minutes.")
        return None, 429
    with StudioReader(current_room().log_path) as log:
        teacher = log.teacher_with_card(form.code.data)
    if teacher is None:
        form.code.errors.append("No card has this code: ask your teacher for a new one.")
        return None, 403
    tries.right(trier)
    if teacher.person_id == signed_in_person().person_id:
        form.code.errors.append("This is your own card: it is for your players.")
        return None, 400
    return teacher, 200


def _show(form: AcceptCard, status: int, teacher: Person | None = None) -> tuple[str, int]:
    with StudioReader(current_room().log_path) as log:
        teachers = log.teachers_of(signed_in_person().person_id)
    page = render_template(
        "studio.html",
        form=form,
        teacher=teacher,
        teachers=teachers,
        room=current_room().settings.name,
    )
    return page, status
