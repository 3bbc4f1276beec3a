"""The menu at the head of every page: where one can go, for whoever is signed in."""

from typing import Any

from flask import Flask, current_app, url_for

from appliance.log.people import Person, Role
from web.naming import handed_on

READ_THE_SAME_WAY = ("/", "/change", "/ear")  # a link keeps the week, and how it is read
OF_NO_WEEK = ("/sittings", "/choose", "/room")  # a link keeps how it is read
# Pages by their path. One that is not there yet is left out.
PAGES = (
    ("Week", "/"),
    ("Change", "/change"),
    ("Ear", "/ear"),
    ("Sittings", "/sittings"),
    ("Choose a drone", "/choose"),
    ("Room", "/room"),
    ("Take it with you", "/exports"),
    ("What is stored", "/privacy"),
)


def register(app: Flask) -> None:
    """Give the templates of ``app`` the menu."""
    app.jinja_env.globals.update(menu=menu)


def menu(person: Person | None, *, owned: bool) -> list[tuple[str, str]]:
    """Return names and addresses of the pages that there are for a person, or for nobody."""
    rules = {rule.rule: rule.endpoint for rule in current_app.url_map.iter_rules()}
    found = [(name, url_for(rules[path], **_kept(path))) for name, path in PAGES if path in rules]
    return [*found, *_of_people(person, owned=owned)]


def _kept(path: str) -> dict[str, Any]:
    if path in READ_THE_SAME_WAY:
        return handed_on()
    if path in OF_NO_WEEK:
        return {key: value for key, value in handed_on().items() if key != "week"}
    return {}


def _of_people(person: Person | None, *, owned: bool) -> list[tuple[str, str]]:
    if person is None:
        return [("Check in", url_for("door.sign_in"))] if owned else []
    found = [("Check in or out", url_for("door.check_in"))]
    found.append(("Whose was it?", url_for("claims.show_claims")))
    found.append(("Studio", url_for("studio.show_studios")))
    if person.role is not Role.PLAYER:
        found.append(("People", url_for("people.show_people")))
        found.append(("Studio card", url_for("studio.show_card")))
    return found
