"""What was set on the page, laid over the settings file: tuning of the room, and its rules. Pure.

The values are those of :mod:`appliance.log.room_settings`; one that was never set leaves what the
file says. The rules are the owner's: A4 and loudness may be locked, and at quiet hours no drone
sounds.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from appliance.settings import DroneSettings, RoomSettings, Settings, check

_ROOM_KEYS = ("a4_hz", "tuning", "instrument", "band_cents")
MINUTES_A_DAY = 1440


@dataclass(frozen=True, slots=True)
class QuietHours:
    """From when to when no drone sounds, as minutes after midnight in the room's time zone."""

    from_minute: int
    to_minute: int

    def hold_at(self, wall_s: float, zone: ZoneInfo | None) -> bool:
        """Tell whether it is quiet at a moment (Unix time); they may reach over midnight."""
        at = datetime.fromtimestamp(wall_s, zone)
        since = (60 * at.hour + at.minute - self.from_minute) % MINUTES_A_DAY
        return since < (self.to_minute - self.from_minute) % MINUTES_A_DAY

    def __str__(self) -> str:
        """Write them as ``21:30 to 07:00``."""
        return f"{_clock(self.from_minute)} to {_clock(self.to_minute)}"


@dataclass(frozen=True, slots=True)
class HouseRules:
    """What the owner of the room has laid down."""

    lock_a4: bool = False
    lock_loudness: bool = False
    quiet: QuietHours | None = None


NO_RULES = HouseRules()


def house_rules(values: Mapping[str, Any]) -> HouseRules:
    """Return the owner's rules among what was set; one end of quiet hours alone is none."""
    begin, end = values.get("quiet_from"), values.get("quiet_to")
    both = begin is not None and end is not None and begin != end
    return HouseRules(
        lock_a4=bool(values.get("lock_a4")),
        lock_loudness=bool(values.get("lock_loudness")),
        quiet=QuietHours(_minute(str(begin)), _minute(str(end))) if both else None,
    )


def settings_over(settings: Settings, values: Mapping[str, Any]) -> Settings:
    """Return the settings with what was set in place of the file's.

    Raises SettingsError for a value out of its range.
    """
    if not values:
        return settings
    found = replace(
        settings,
        room=room_over(settings.room, values),
        drone=_drone_over(settings.drone, values),
    )
    check(found)
    return found


def room_over(room: RoomSettings, values: Mapping[str, Any]) -> RoomSettings:
    """Return the settings of the room alone, unchecked: the log gives back only what is allowed."""
    given: dict[str, Any] = {key: values[key] for key in _ROOM_KEYS if key in values}
    for key in ("a4_hz", "band_cents"):
        if key in given:
            given[key] = float(given[key])
    return replace(room, **given)


def _drone_over(drone: DroneSettings, values: Mapping[str, Any]) -> DroneSettings:
    note = values.get("drone_note", drone.note)
    level_dbfs = float(values.get("drone_level_dbfs", drone.level_dbfs))
    return replace(drone, note=note, level_dbfs=level_dbfs)


def _minute(clock: str) -> int:
    hours, minutes = clock.split(":")
    return 60 * int(hours) + int(minutes)


def _clock(minute: int) -> str:
    return f"{minute // 60:02d}:{minute % 60:02d}"
