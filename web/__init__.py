"""The phone page: reads the log, asks ``appliance.log.weeks``, renders. Nothing else.

``create_app`` makes the app; ``pages`` holds the routes, ``query`` reads what a link asks for,
``words`` and ``ear`` say numbers in plain words, ``diary`` draws landings, ``week_json`` is the
week for programs. The pages need no JavaScript and fetch nothing from anywhere else.
"""

import time
from collections.abc import Callable
from pathlib import Path

from flask import Flask

from appliance.log.calendar import room_zone
from appliance.settings import Settings
from web import ear, guard, naming, pages, sittings, words

__all__ = ["create_app"]


def create_app(
    log_path: str | Path, settings: Settings, now_s: Callable[[], float] = time.time
) -> Flask:
    """Make the web app for the log at ``log_path``; ``now_s`` (Unix time) tells which week it is.

    The log is opened anew for each page, for reading only, so the app may start before the log
    exists. Raises SettingsError when the room's time zone is unknown.
    """
    app = Flask(__name__)
    app.jinja_env.trim_blocks = app.jinja_env.lstrip_blocks = True
    app.extensions["groundnote"] = pages.Room(
        Path(log_path), settings.room, room_zone(settings.room.time_zone), now_s
    )
    words.register(app)
    naming.register(app)
    ear.register(app)
    guard.register(app)
    app.register_blueprint(pages.blueprint)
    sittings.register(app)
    return app
