"""The door: sign in and out, check in and out, become the owner, register, change one's PIN.

To *sign in* is to read one's own pages; to *check in* is to let the room log to oneself. The page
for signing in does both with one button, or only the first with the other.
"""

from math import ceil
from urllib.parse import urlsplit

from flask import Blueprint, abort, flash, redirect, render_template, request, url_for
from flask import current_app as app
from flask.typing import ResponseReturnValue
from flask_wtf import FlaskForm

from appliance.log import owner_code
from appliance.log.logfile import NoLogYetError
from appliance.log.people import People, PeopleReader, Person, PersonError, Role, nickname_key
from appliance.log.room_settings import RoomSettingsReader
from appliance.vocabulary import ControlError
from web import forms, known_phones, sessions
from web.access import Who, current_person, has_owner, needs
from web.pin_tries import PinTries, Trier, place_of
from web.place import current_room
from web.room_answer import ask_room, who_is_in

blueprint = Blueprint("door", __name__)

NOBODY = "\0owner"  # no nickname's key: the count of wrong owner codes


def open_people() -> People:
    """Open the log for changing people."""
    room = current_room()
    return People(room.log_path, room.settings.name)


@blueprint.route("/sign-in", methods=["GET", "POST"])
@needs(Who.ANYBODY)
def sign_in() -> ResponseReturnValue:
    """Sign in with nickname and PIN, and check in if wanted."""
    if not has_owner():
        return redirect(url_for("door.own"))
    form = forms.SignIn(next=request.args.get("next", ""))
    status = 200
    if form.validate_on_submit():
        person, status = try_pin(form.nickname.data, form.pin.data, form.pin.errors)
        if person is not None:
            return _let_in(person, play=bool(form.play.data), to=form.next.data)
    return _show("sign_in.html", status, form=form, may_register=_may_register())


def _let_in(person: Person, *, play: bool, to: str) -> ResponseReturnValue:
    sessions.begin(person)
    if play and not person.pin_given:
        answer = _check_in(person, sure=False)
    else:
        answer = redirect(_own_path(to) or url_for("pages.show_week"))
    known_phones.remember(made := app.make_response(answer), person)
    return made


def _own_path(to: str | None) -> str | None:
    """Return an address of ours; one that leads elsewhere is nothing."""
    parts = urlsplit(to or "")
    ours = not parts.scheme and not parts.netloc and parts.path.startswith("/")
    return to if ours and to and to.isprintable() and "\\" not in to and to[1:2] != "/" else None


def try_pin(nickname: str, pin: str, errors: list[str]) -> tuple[Person | None, int]:
    """Return whose PIN this is, or with ``errors`` filled the status to answer with."""
    tries: PinTries = app.extensions["pin_tries"]
    with PeopleReader(current_room().log_path) as people:
        found = people.find(nickname)
        device = None if found is None else known_phones.device_of(found)
        trier = Trier(nickname_key(nickname), place_of(request.remote_addr), device)
        wait_s = tries.wait_s(trier)
        if wait_s == 0.0 and not tries.queue():
            errors.append("Many sign in just now: try again in a few seconds.")
            return None, 503
        if wait_s == 0.0:
            try:
                wait_s = tries.begin(trier)  # again: it may have got late in the queue
                person = None if wait_s else people.right_pin(nickname, pin)
            finally:
                tries.leave()
    if wait_s:
        errors.append(_wait(wait_s))
        return None, 429
    if person is None:
        tries.wrong(trier)
        errors.append("Nickname and PIN do not fit together.")
        return None, 403
    tries.right(trier)
    return person, 200


def _wait(seconds: float) -> str:
    lasting = f"{ceil(seconds)} seconds" if seconds < 90 else f"{ceil(seconds / 60)} minutes"
    return f"Too many wrong tries. Wait {lasting}, then try again."


@blueprint.post("/sign-out")
@needs(Who.PLAYER)
def sign_out() -> ResponseReturnValue:
    """Sign out, and check out if checked in."""
    person = current_person()
    if person is not None:
        _check_out(person)
        sessions.end()
    return redirect(url_for("door.sign_in"))


@blueprint.route("/check-in", methods=["GET", "POST"])
@needs(Who.PLAYER)
def check_in() -> ResponseReturnValue:
    """Who is checked in; check in oneself."""
    person = _signed_in()
    form = forms.CheckIn()
    if form.validate_on_submit():
        return _check_in(person, sure=form.sure.data == "yes")
    inside = who_is_in()
    form.sure.data = "yes" if request.args.get("ask") == "yes" else ""
    return _show("check_in.html", 200, form=form, inside=inside)


@blueprint.post("/check-out")
@needs(Who.PLAYER)
def check_out() -> ResponseReturnValue:
    """Check oneself out."""
    flash(_check_out(_signed_in()))
    return redirect(url_for("door.check_in"))


def _signed_in() -> Person:
    """Return who is signed in; where nobody owns the room there is nobody to check in."""
    person = current_person()
    if person is None:
        abort(403)
    return person


def _check_in(person: Person, *, sure: bool) -> ResponseReturnValue:
    """Ask the room to log to this person; it asks back while somebody else plays."""
    asked = {"do": "check_in", "player": person.person_id, "sure": sure}
    try:
        answer = ask_room(asked)
    except ControlError as error:
        app.logger.warning("check-in: %s", error)
        flash("You are signed in, but the room does not answer, so you are not checked in.")
        return redirect(url_for("door.check_in"))
    if answer.get("checked_in"):
        flash("You are checked in: what is played from now on is yours.")
        return redirect(url_for("door.check_in"))
    return redirect(url_for("door.check_in", ask="yes"))


def _check_out(person: Person) -> str:
    try:
        answer = ask_room({"do": "check_out", "player": person.person_id})
    except ControlError as error:
        app.logger.warning("check-out: %s", error)
        return "The room does not answer. It checks you out after ten silent minutes."
    if answer.get("checked_out"):
        return "You are checked out: what is played from now on is not yours."
    return "You were not checked in any more."


@blueprint.route("/owner", methods=["GET", "POST"])
@needs(Who.ANYBODY)
def own() -> ResponseReturnValue:
    """Become the owner, or get an owner's PIN back, with the one-time code of this machine."""
    form = forms.Own()
    status = 200
    if form.validate_on_submit():
        try:
            return _become_owner(form)
        except PersonError as error:
            form.nickname.errors.append(str(error))
            status = 400
        except _WrongCodeError as error:
            form.code.errors.append(str(error))
            status = error.status
    return _show("own.html", status, form=form)


class _WrongCodeError(Exception):
    def __init__(self, sentence: str, status: int) -> None:
        super().__init__(sentence)
        self.status = status


def _become_owner(form: forms.Own) -> ResponseReturnValue:
    with open_people() as people:
        found = people.find(form.nickname.data)
        if found is not None and found.role is not Role.OWNER:
            raise PersonError("This nickname is somebody else's: choose another.")
        _take_code(form.code.data)
        if found is None:
            now_s = current_room().now_s()
            person = people.add(form.nickname.data, form.new_pin.data, Role.OWNER, now_s)
        else:
            person = people.set_pin(found.person_id, form.new_pin.data, given=False)
    app.logger.warning("The owner code was used by %r.", person.nickname)
    return _let_in(person, play=False, to="")


def _take_code(typed: str) -> None:
    tries: PinTries = app.extensions["pin_tries"]
    trier = Trier(NOBODY, place_of(request.remote_addr))
    if wait_s := tries.begin(trier):
        raise _WrongCodeError(_wait(wait_s), 429)
    if not owner_code.take(current_room().log_path, typed):
        tries.wrong(trier)
        raise _WrongCodeError(
            "This is not the code that waits. On the machine, 'groundnote owner-code' prints it.",
            403,
        )
    tries.right(trier)


@blueprint.route("/register", methods=["GET", "POST"])
@needs(Who.ANYBODY)
def register() -> ResponseReturnValue:
    """Register as a player, where the owner allows it."""
    if not _may_register():
        abort(403, "Ask a teacher or the owner of this room to add you.")
    form = forms.Register()
    status = 200
    if form.validate_on_submit():
        tries: PinTries = app.extensions["pin_tries"]
        if not tries.register(place_of(request.remote_addr)):
            abort(429)
        try:
            with open_people() as people:
                now_s = current_room().now_s()
                person = people.add(form.nickname.data, form.new_pin.data, Role.PLAYER, now_s)
            return _let_in(person, play=False, to=url_for("door.check_in"))
        except PersonError as error:
            form.nickname.errors.append(str(error))
            status = 400
    return _show("register.html", status, form=form)


def _may_register() -> bool:
    try:
        with RoomSettingsReader(current_room().log_path) as log:
            return has_owner() and bool(log.room_settings().get("self_registration"))
    except NoLogYetError:
        return False


@blueprint.route("/pin", methods=["GET", "POST"])
@needs(Who.PLAYER)
def change_pin() -> ResponseReturnValue:
    """Change one's own PIN; every other session of this person ends."""
    person = _signed_in()
    form = forms.ChangePin()
    status = 200
    if form.validate_on_submit():
        right, status = try_pin(person.nickname, form.pin.data, form.pin.errors)
        if right is not None and form.new_pin.data == form.pin.data:
            form.new_pin.errors.append("This is the PIN you had: choose another.")
            status = 400
        elif right is not None:
            with open_people() as people:
                changed = people.set_pin(person.person_id, form.new_pin.data, given=False)
            answer = _let_in(changed, play=False, to=url_for("door.check_in"))
            flash("The PIN is changed. Wherever else you were signed in, you are no longer.")
            return answer
    return _show("change_pin.html", status, form=form, given=person.pin_given)


def _show(template: str, status: int, *, form: FlaskForm, **more: object) -> tuple[str, int]:
    refused = status == 200 and bool(form.errors)
    name = current_room().settings.name
    return render_template(template, form=form, room=name, **more), 400 if refused else status
