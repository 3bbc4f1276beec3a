"""Care for who plays: the day's listening, and a word when it is time to rest.

It is used under the desk's lock. Until the room is calibrated the listening budget says nothing.
"""

from collections.abc import Iterable
from datetime import date, datetime
from functools import lru_cache
from typing import Any

from appliance.log.calendar import room_zone
from appliance.log.records import Listened
from appliance.practice.cues import Cue
from appliance.practice.dose import Budget, weighted_dbfs
from appliance.practice.rest import Rest
from appliance.practice.tone import Tone
from appliance.settings import DroneSettings, Settings
from appliance.vocabulary import HeardNote, Instant

LONGEST_STEP_S = 1.0  # of the drone between two looks; a room that stood still was not heard
KEPT_EVERY_S = 60.0  # what a power cut may cost of the day's listening
RATE_HZ = 48000.0  # for the partials of the drone: what a faster device adds has no weight


class Care:
    """Counts what is heard and how long is played; :meth:`due` says which cue is due."""

    def __init__(self, settings: Settings) -> None:
        """Begin a day at nothing, until the log says what was used before this start."""
        self._settings = settings
        self._zone = room_zone(settings.room.time_zone)
        self._budget = Budget(settings.loudness.daily_dose_percent)
        self._rest = self._new_rest()
        self._player: str | None = None  # who was last known to play
        self._looked_s: float | None = None
        self._went_on = False
        self._kept_s = 0.0

    def go_on(self, listened: Iterable[Listened]) -> None:
        """Take what the log knows of before this start, once."""
        if not self._went_on:
            self._went_on = True
            for one in listened:
                self._budget.go_on(one.player, one.day, one.used_percent)

    def to_keep(self, now: Instant) -> list[Listened]:
        """Return what the log shall know by now: nothing before it has said what it knows."""
        if not self._went_on or now.monotonic_s - self._kept_s < KEPT_EVERY_S:
            return []
        self._kept_s = now.monotonic_s
        return self.last_to_keep()

    def last_to_keep(self) -> list[Listened]:
        """Return the same at once: the room closes."""
        if not self._went_on:
            return []
        return [Listened(player, day, used) for (day, player), used in self._budget.news().items()]

    def set_up(self, settings: Settings) -> None:
        """Count with other settings from now on: the drone may be louder or softer."""
        self._settings = settings

    def play(self, note: HeardNote, began: Instant, ended: Instant, player: str | None) -> None:
        """Take a note that has ended; another player (not merely nobody) comes rested."""
        if player is not None:
            if self._player not in (None, player):
                self._rest = self._new_rest()
            self._player = player
        self._rest.play(began.monotonic_s, ended.monotonic_s)
        full_scale_dba = self._settings.loudness.player_full_scale_dba
        if full_scale_dba:
            seconds = ended.monotonic_s - began.monotonic_s
            level_dba = full_scale_dba + note.level_db
            self._budget.add(player, level_dba, seconds, self._day(ended))

    def listen(self, root_hz: float | None, now: Instant, player: str | None) -> None:
        """Let time pass, with a drone on ``root_hz`` or, ``None``, without one."""
        before_s, self._looked_s = self._looked_s, now.monotonic_s
        full_scale_dba = self._settings.loudness.full_scale_dba
        if before_s is None or root_hz is None or not full_scale_dba:
            return
        seconds = min(now.monotonic_s - before_s, LONGEST_STEP_S)
        level_dba = full_scale_dba + drone_dbfs(self._settings.drone, root_hz)
        self._budget.add(player, level_dba, seconds, self._day(now))

    def due(self, player: str | None) -> Cue | None:
        """The cue that is due now, once."""
        if self._budget.newly_used_up(player):
            return Cue.ENOUGH
        if self._settings.practice.rest_reminder and self._rest.newly_due():
            return Cue.REST
        return None

    def status(self, now: Instant, player: str | None) -> dict[str, Any]:
        """What a page may know; ``used_percent`` is ``None`` until the room is calibrated."""
        loudness = self._settings.loudness
        calibrated = bool(loudness.full_scale_dba or loudness.player_full_scale_dba)
        used = self._budget.used_percent(player, self._day(now)) if calibrated else None
        return {
            "used_percent": used,
            "limit_percent": loudness.daily_dose_percent,
            "rest_due": self._settings.practice.rest_reminder and self._rest.due(now.monotonic_s),
        }

    def _new_rest(self) -> Rest:
        return Rest(self._settings.practice.rest_after_s, self._settings.practice.rest_s)

    def _day(self, at: Instant) -> date:
        return datetime.fromtimestamp(at.wall_s, self._zone).date()


@lru_cache(maxsize=16)
def drone_dbfs(drone: DroneSettings, root_hz: float) -> float:
    """The A-weighted level of the drone as it is sent, dB re full scale."""
    tone = Tone(root_hz, drone.timbre, drone.add, drone.level_dbfs, RATE_HZ)
    return weighted_dbfs(tone.partials)
