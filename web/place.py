"""The room that the pages show: where its log and its control socket are, and what time it is."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from zoneinfo import ZoneInfo

from flask import current_app

from appliance.control import socket_of_running_room
from appliance.log.calendar import CalendarWeek
from appliance.settings import RoomSettings, WebSettings


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
    """Return the room of the app that answers."""
    room = current_app.extensions["groundnote"]
    assert isinstance(room, Room)
    return room
