"""Who may see which page, and whose log it shows.

A route says what it needs with :func:`needs`; one that says nothing needs a player, so that a
forgotten word closes a page and never opens one. Until somebody owns the room there is nobody to
sign in: what a player may see, everybody on the network may, and it is the log of all. From the
moment there is an owner, everybody signs in and reads their own log alone; a teacher may read that
of a player who accepted the teacher's studio card, by ``?player=ID``. An owner looks after people
and rooms; that opens nobody's log.
"""

from collections.abc import Callable
from enum import IntEnum
from typing import Any, TypeVar

from flask import Flask, abort, current_app, g, redirect, request, url_for
from flask.typing import ResponseReturnValue
from markupsafe import Markup

from appliance.log.logfile import NoLogYetError
from appliance.log.people import PeopleReader, Person, Role
from appliance.log.reader import LogReader
from appliance.log.shelf import Shelf
from appliance.vocabulary import LogbookError
from web import sessions
from web.place import current_room

View = TypeVar("View", bound=Callable[..., ResponseReturnValue])


class Who(IntEnum):
    """What a page needs; each may do what those before it may."""

    ANYBODY = 0
    PLAYER = 1
    TEACHER = 2
    OWNER = 3


_RANKS = {Role.PLAYER: Who.PLAYER, Role.TEACHER: Who.TEACHER, Role.OWNER: Who.OWNER}
_NEW_PIN_PAGES = ("door.change_pin", "door.sign_out")  # all there is until a given PIN is replaced


def needs(who: Who) -> Callable[[View], View]:
    """Say what a route needs; stands below the route's own decorator."""

    def mark(view: View) -> View:
        view.who = who  # type: ignore[attr-defined]
        return view

    return mark


def register(app: Flask) -> None:
    """Let nobody of ``app`` past without the right to."""
    sessions.register(app)
    app.extensions["shelf"] = Shelf(app.extensions["groundnote"].log_path)
    app.before_request(_ask_at_the_door)
    app.url_defaults(_stay_with_player)
    app.jinja_env.globals.update(whose_field=whose_field)
    app.context_processor(_people_of_the_page)


def current_person() -> Person | None:
    """Return who is signed in."""
    return sessions.signed_in()


def signed_in_person() -> Person:
    """Return who is signed in; nobody is turned away (403)."""
    person = current_person()
    if person is None:
        abort(403)
    return person


def has_owner() -> bool:
    """Whether anybody owns the room."""
    if "has_owner" not in g:
        g.has_owner = _read_people(lambda people: people.has_owner(), otherwise=False)
    return bool(g.has_owner)


def read_person() -> Person | None:
    """Return the player whose log a teacher asked for; ``None`` when the log is one's own."""
    person: Person | None = g.get("read_person")
    return person


def read_log_of(player: Person) -> None:
    """Let this page read a player's log, whom its view has found to be the teacher's own."""
    g.read_person = player


def whose() -> str | None:
    """Return the id of the player whose log this page may read; ``None`` means everybody's."""
    person = read_person() or current_person()
    return None if person is None else person.person_id


def open_log() -> LogReader:
    """Open the log for reading what this page may read, and nothing else."""
    player = whose()
    if player is None and has_owner():
        abort(403)  # no rule of a route may open everybody's log once there are people
    shelf: Shelf = current_app.extensions["shelf"]
    return shelf.reader(player)


def whose_field() -> Markup:
    """Return the hidden field that keeps a form that only asks (GET) with the same player."""
    person = read_person()
    if person is None:
        return Markup()
    return Markup('<input type="hidden" name="player" value="{}">').format(person.person_id)


def _read_people(ask: Callable[[PeopleReader], Any], *, otherwise: Any) -> Any:
    try:
        with PeopleReader(current_room().log_path) as people:
            return ask(people)
    except NoLogYetError:
        return otherwise


def _needed() -> Who:
    view = current_app.view_functions.get(request.endpoint or "")
    who = getattr(view, "who", Who.PLAYER)
    return who if isinstance(who, Who) else Who.PLAYER


def _ask_at_the_door() -> ResponseReturnValue | None:
    if request.endpoint in (None, "static"):  # no page of ours, or the style sheet
        return None
    who, person = _needed(), current_person()
    if who is Who.ANYBODY or (who is Who.PLAYER and person is None and not has_owner()):
        return None
    if person is None:
        return _to_the_door()
    if person.pin_given and request.endpoint not in _NEW_PIN_PAGES:
        return redirect(url_for("door.change_pin"))
    if _RANKS[person.role] < who:
        abort(403)
    _find_read_person(person)
    return None


def _to_the_door() -> ResponseReturnValue:
    if not has_owner():
        return redirect(url_for("door.own"))
    if request.method != "GET" or request.path.endswith((".json", ".csv")):
        abort(401)
    return redirect(url_for("door.sign_in", next=request.full_path.rstrip("?")))


def _find_read_person(person: Person) -> None:
    """Take ``?player=ID``; whoever may not read it learns nothing, not even whether it exists."""
    asked = request.args.get("player")
    if asked is None or asked == person.person_id:
        return
    if _RANKS[person.role] < Who.TEACHER:
        abort(403)
    players = _read_people(lambda people: people.players_of(person.person_id), otherwise=[])
    g.read_person = next((one for one in players if one.person_id == asked), None)
    if g.read_person is None:
        abort(403)


def _stay_with_player(endpoint: str, values: dict[str, Any]) -> None:
    """Keep a teacher who follows links with the same player."""
    person = read_person()
    if person is None or endpoint == "static" or "player" in values:
        return
    view = current_app.view_functions.get(endpoint)
    if getattr(view, "who", Who.PLAYER) is Who.PLAYER:
        values["player"] = person.person_id


def _people_of_the_page() -> dict[str, object]:
    """What the frame of every page shows; the page that says the log cannot be read, too."""
    try:
        person, owned = current_person(), has_owner()
    except LogbookError:
        person, owned = None, True
    return {"signed_in": person, "read_person": read_person(), "owned": owned}
