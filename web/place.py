"""The room that the pages show: where its log and its control socket are, and what time it is."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from flask import current_app, g

from appliance.control import socket_of_running_room
from appliance.log.calendar import CalendarWeek
from appliance.log.chosen import room_over
from appliance.log.room_settings import RoomSettingsReader
from appliance.settings import RoomSettings, WebSettings
from appliance.vocabulary import LogbookError


@dataclass(frozen=True, slots=True)
class Room:
    """What the pages need to know of the room they show."""

    log_path: Path
    settings: RoomSettings
    zone: ZoneInfo | None
    now_s: Callable[[], float]
    web: WebSettings
    socket_path: Path | None  # None: where a room usually listens

    @property
    def this_week(self) -> CalendarWeek:
        """The calendar week it is in the room."""
        return CalendarWeek.of(self.now_s(), self.zone)

    @property
    def control(self) -> Path:
        """Where the running room answers."""
        return self.socket_path or socket_of_running_room()


def current_room() -> Room:
    """Return the room of the app that answers, with what was set on the page over its file."""
    if "room" not in g:
        room = current_app.extensions["groundnote"]
        assert isinstance(room, Room)
        g.room = replace(room, settings=room_over(room.settings, set_on_page(room.log_path)))
    assert isinstance(g.room, Room)
    return g.room


def set_on_page(log_path: Path) -> dict[str, Any]:
    """Return what was set on the page, by key; nothing while there is no log to read it from."""
    try:
        with RoomSettingsReader(log_path) as log:
            return log.room_settings()
    except LogbookError:
        return {}
