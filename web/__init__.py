"""The phone page: reads the log, asks ``appliance.log.weeks``, renders. Nothing else.

``create_app`` makes the app; ``pages`` holds the routes, ``query`` reads what a link asks for,
``words`` and ``ear`` say numbers in plain words, ``diary`` draws landings, ``week_json`` is the
week for programs. The pages need no JavaScript and fetch nothing from anywhere else.
"""

import time
from collections.abc import Callable
from pathlib import Path

from flask import Flask
from flask_wtf import CSRFProtect

from appliance.log.backups import folder_of
from appliance.log.calendar import room_zone
from appliance.settings import Settings
from web import (
    access,
    change,
    choose,
    claims,
    door,
    door_card,
    ear,
    erasing,
    exports,
    focus_form,
    guard,
    hosts,
    lesson,
    menu,
    naming,
    notes,
    pages,
    people,
    privacy,
    room_check,
    room_page,
    sittings,
    studio,
    telling,
    words,
)
from web.kept_tries import KeptStorage
from web.pin_tries import PinTries
from web.place import Room
from web.sessions import session_key

__all__ = ["create_app"]

LONGEST_REQUEST = 64 * 1024  # bytes; there is no upload


def create_app(
    log_path: str | Path,
    settings: Settings,
    now_s: Callable[[], float] = time.time,
    socket_path: Path | None = None,
) -> Flask:
    """Make the web app for the log at ``log_path``; ``now_s`` (Unix time) tells which week it is.

    The log is opened anew for each page, for reading only, so the app may start before the log
    exists; what people do at the door is written to it. ``socket_path``: the control socket of the
    room, where it is not the usual one. Raises SettingsError when the room's time zone is unknown,
    SessionKeyError when the key that signs sessions can be neither read nor made.
    """
    app = Flask(__name__)
    app.jinja_env.trim_blocks = app.jinja_env.lstrip_blocks = True
    zone = room_zone(settings.room.time_zone)
    room = Room(Path(log_path), settings.room, zone, now_s, settings.web, socket_path)
    app.extensions["groundnote"] = room
    _secure(app, room)
    erasing.register(app, folder_of(settings, room.log_path))
    words.register(app)
    naming.register(app)
    telling.register(app)
    ear.register(app)
    guard.register(app)
    of_people = (door, people, claims, studio, focus_form, lesson, privacy)
    for module in (pages, notes, change, exports, door_card, *of_people):
        app.register_blueprint(module.blueprint)
    sittings.register(app)
    choose.register(app)
    room_page.register(app)
    room_check.register(app)
    return app


def _secure(app: Flask, room: Room) -> None:
    """Sessions, the protection of forms, and who may see what."""
    app.secret_key = key = session_key(room.log_path)
    app.config.update(
        MAX_CONTENT_LENGTH=LONGEST_REQUEST,
        MAX_FORM_MEMORY_SIZE=LONGEST_REQUEST,
        WTF_CSRF_TIME_LIMIT=None,  # as long as the session
    )
    app.extensions["pin_tries"] = PinTries(
        KeptStorage(room.log_path.with_suffix(".pin-tries"), key)
    )
    hosts.register(app)
    CSRFProtect(app)
    access.register(app)
    menu.register(app)
