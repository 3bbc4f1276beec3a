"""Looking after people: owners everybody, teachers the players who accepted their studio card.

A PIN that somebody else chose is drawn by lot, shown once, and replaced by its person at the next
sign-in; so nobody can use it without its person noticing.
"""

import secrets
from collections.abc import Callable

from flask import Blueprint, abort, flash, redirect, render_template, request, url_for
from flask import current_app as app
from flask.typing import ResponseReturnValue
from flask_wtf import FlaskForm

from appliance.log.people import (
    PIN_DIGITS,
    PeopleReader,
    Person,
    PersonError,
    Role,
    checked_pin,
)
from appliance.log.room_settings import RoomSettingsEditor, RoomSettingsReader
from web import forms
from web.access import Who, needs, signed_in_person
from web.door import open_people
from web.erasing import eraser, forget_person
from web.place import current_room

blueprint = Blueprint("people", __name__, url_prefix="/people")

ROLE_WORDS = {
    Role.PLAYER: "player: plays, and reads their own log",
    Role.TEACHER: "teacher: also adds players, and reads the log of those who accepted their card",
    Role.OWNER: "owner: also adds and removes people and sets the room",
}


@blueprint.get("")
@needs(Who.TEACHER)
def show_people() -> ResponseReturnValue:
    """Those one looks after, and a form to add somebody."""
    return _show(forms.AddPerson(), 200)


@blueprint.post("")
@needs(Who.TEACHER)
def add_person() -> ResponseReturnValue:
    """Add somebody: a teacher players, an owner anybody."""
    form = forms.AddPerson()
    if not _is_owner():
        form.role.data = Role.PLAYER.value
    if not form.validate_on_submit():
        return _show(form, 400)
    pin = draw_pin()
    try:
        with open_people() as people:
            now_s = current_room().now_s()
            person = people.add(
                form.nickname.data, pin, Role(form.role.data), now_s, pin_given=True
            )
    except PersonError as error:
        form.nickname.errors.append(str(error))
        return _show(form, 400)
    return _show_pin(person, pin)


@blueprint.post("/<person_id>/pin")
@needs(Who.TEACHER)
def reset_pin(person_id: str) -> ResponseReturnValue:
    """Give somebody a new PIN, since the old one is forgotten."""
    _looked_after(person_id)
    pin = draw_pin()
    with open_people() as people:
        person = people.set_pin(person_id, pin, given=True)
    return _show_pin(person, pin)


@blueprint.get("/<person_id>")
@needs(Who.OWNER)
def show_person(person_id: str) -> ResponseReturnValue:
    """One person and what the owner may change."""
    return _show_one(_looked_after(person_id), 200)


@blueprint.post("/<person_id>/role")
@needs(Who.OWNER)
def set_role(person_id: str) -> ResponseReturnValue:
    """Set what somebody may do."""
    form = forms.SetRole()

    def change(person: Person) -> str:
        with open_people() as people:
            people.set_role(person_id, Role(form.role.data))
        return f"{person.nickname} is {form.role.data} now."

    return _change(person_id, form, change)


@blueprint.post("/<person_id>/consent")
@needs(Who.OWNER)
def set_consent(person_id: str) -> ResponseReturnValue:
    """Set the date of a guardian's consent; an empty one takes it away."""
    form = forms.SetConsent()

    def change(person: Person) -> str:
        with open_people() as people:
            people.set_consent(person_id, form.consent_on.data)
        return f"The date of consent for {person.nickname} is set."

    return _change(person_id, form, change)


@blueprint.post("/<person_id>/sessions")
@needs(Who.OWNER)
def end_sessions(person_id: str) -> ResponseReturnValue:
    """End every session of somebody, as after a lost phone."""

    def change(person: Person) -> str:
        with open_people() as people:
            people.end_sessions(person_id)
        return f"{person.nickname} is signed out everywhere."

    return _change(person_id, FlaskForm(), change)


@blueprint.post("/<person_id>/remove")
@needs(Who.OWNER)
def remove_person(person_id: str) -> ResponseReturnValue:
    """Remove somebody with all that was logged for them."""

    def change(person: Person) -> str:
        forget_person(person_id)
        return f"{person.nickname} is removed, and so is all that was logged for them."

    return _change(person_id, forms.Remove(), change)


def _change(
    person_id: str, form: FlaskForm, change: Callable[[Person], str]
) -> ResponseReturnValue:
    """Change somebody as a form asks, and say what ``change`` says; else say why not."""
    person = _looked_after(person_id)
    if not form.validate_on_submit():
        return _show_one(person, 400)
    try:
        said = change(person)
    except PersonError as error:
        flash(str(error))
        return _show_one(person, 400)
    flash(said)
    return redirect(url_for("people.show_people"))


@blueprint.post("/registration")
@needs(Who.OWNER)
def set_registration() -> ResponseReturnValue:
    """Let players register by themselves, or not."""
    room = current_room()
    allowed = request.form.get("allowed") == "yes"
    with RoomSettingsEditor(room.log_path, room.settings.name) as editor:
        editor.set_room_setting("self_registration", allowed)
    flash(
        "Players may register by themselves." if allowed else "Only you and teachers add players."
    )
    return redirect(url_for("people.show_people"))


def draw_pin() -> str:
    """Draw a PIN that could also be chosen."""
    while True:
        pin = "".join(secrets.choice("0123456789") for _ in range(PIN_DIGITS[0]))
        try:
            return checked_pin(pin)
        except PersonError:
            continue


def _is_owner() -> bool:
    return signed_in_person().role is Role.OWNER


def _looked_after(person_id: str) -> Person:
    """Return somebody whom one may look after; of all others nobody learns whether they exist."""
    with PeopleReader(current_room().log_path) as people:
        found = _of(people)
    person = next((one for one in found if one.person_id == person_id), None)
    if person is None:
        abort(404 if _is_owner() else 403)
    return person


def _of(people: PeopleReader) -> list[Person]:
    me = signed_in_person()
    if me.role is Role.OWNER:
        return people.people()
    studio = people.players_of(me.person_id)
    return [person for person in studio if person.role is Role.PLAYER]


def _show(form: forms.AddPerson, status: int) -> ResponseReturnValue:
    with PeopleReader(current_room().log_path) as people:
        found, readable = _of(people), people.players_of(signed_in_person().person_id)
    with RoomSettingsReader(current_room().log_path) as log:
        may_register = bool(log.room_settings().get("self_registration"))
    return (
        render_template(
            "people.html",
            form=form,
            people=found,
            readable={person.person_id for person in readable},
            role_words=ROLE_WORDS,
            is_owner=_is_owner(),
            owed=_is_owner() and eraser().is_owed,
            may_register=may_register,
            room=current_room().settings.name,
        ),
        status,
    )


def _show_one(person: Person, status: int) -> ResponseReturnValue:
    return (
        render_template(
            "person.html",
            person=person,
            role_form=forms.SetRole(role=person.role.value),
            remove_form=forms.Remove(),
            consent_form=forms.SetConsent(consent_on=person.consent_on),
            role_words=ROLE_WORDS,
            room=current_room().settings.name,
        ),
        status,
    )


def _show_pin(person: Person, pin: str) -> ResponseReturnValue:
    app.logger.warning("%s got a new PIN from %s.", person.person_id, signed_in_person().person_id)
    return render_template(
        "new_pin.html", person=person, pin=pin, room=current_room().settings.name
    )
