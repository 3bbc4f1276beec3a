"""Who is signed in: Flask-Login over Flask's signed cookie.

A session ends at sign-out, when the PIN changes (the person's session number rises), after
``session_idle_s`` without a page and in any case after ``session_ends_s``.
"""

import secrets
from pathlib import Path

from flask import Flask, session
from flask_login import LoginManager, UserMixin, current_user, login_user, logout_user

from appliance.log.logfile import NoLogYetError
from appliance.log.people import PeopleReader, Person
from appliance.log.secret_file import read_or_make
from appliance.settings import WebSettings
from appliance.vocabulary import GroundnoteError
from web.place import current_room

SEEN_EVERY_S = 60.0  # how exactly a session knows when its last page was
CLOCK_SLACK_S = 120.0  # a clock may be set back by so much without ending sessions
KEY_BYTES = 32


class SessionKeyError(GroundnoteError):
    """The key that signs sessions can be neither read nor made."""


class SignedIn(UserMixin):  # type: ignore[misc]
    """A person as Flask-Login wants them."""

    def __init__(self, person: Person) -> None:
        """Wrap a person."""
        self.person = person

    def get_id(self) -> str:
        """Return what the session keeps; it no longer fits once the session number has risen."""
        return f"{self.person.person_id}:{self.person.session_number}"


def register(app: Flask) -> None:
    """Give ``app`` sessions."""
    web = app.extensions["groundnote"].web
    app.config.update(
        SESSION_COOKIE_NAME=_cookie_name(web),
        SESSION_COOKIE_HTTPONLY=True,
        SESSION_COOKIE_SAMESITE="Lax",
        SESSION_COOKIE_SECURE=web.https,
        REMEMBER_COOKIE_DURATION=0,
    )
    manager = LoginManager(app)
    manager.user_loader(_load)


def _cookie_name(web: WebSettings) -> str:
    return "__Host-groundnote" if web.https else "groundnote"


def session_key(log_path: Path) -> bytes:
    """Return the key that signs sessions; it is made once, beside the log, for its owner alone.

    Raises :class:`SessionKeyError` when it can be neither read nor made.
    """
    path = log_path.with_suffix(".session-key")
    try:
        key = read_or_make(path, lambda: secrets.token_bytes(KEY_BYTES))
    except OSError as error:
        raise SessionKeyError(
            f"The session key {path} can be neither read nor made ({error.strerror}): let the web "
            "service write where the log is."
        ) from error
    if len(key) != KEY_BYTES:
        raise SessionKeyError(f"{path} is no session key: remove it, and everybody signs in anew.")
    return key


def signed_in() -> Person | None:
    """Return who is signed in."""
    return current_user.person if current_user.is_authenticated else None


def begin(person: Person) -> None:
    """Sign a person in; whatever the session held before is forgotten."""
    session.clear()
    now_s = current_room().now_s()
    session["began_s"], session["seen_s"] = now_s, now_s
    login_user(SignedIn(person))


def end() -> None:
    """Sign out."""
    logout_user()
    session.clear()


def _load(kept: str) -> SignedIn | None:
    """Return whose session this is, if it is still one."""
    if not _lasts():
        return None
    person_id, _, number = kept.partition(":")
    try:
        with PeopleReader(current_room().log_path) as people:
            person = people.person(person_id)
    except NoLogYetError:
        return None
    if person is None or str(person.session_number) != number:
        return None
    return SignedIn(person)


def _lasts() -> bool:
    """Whether the session is young enough; what is written here is signed, so only ours."""
    room = current_room()
    now_s, web = room.now_s(), room.web
    age_s, idle_s = now_s - session.get("began_s", 0.0), now_s - session.get("seen_s", 0.0)
    if not -CLOCK_SLACK_S <= age_s <= web.session_ends_s:
        return False
    if not -CLOCK_SLACK_S <= idle_s <= web.session_idle_s:
        return False
    if idle_s >= SEEN_EVERY_S:
        session["seen_s"] = now_s
    return True
