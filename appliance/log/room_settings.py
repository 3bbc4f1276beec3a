"""What was set on the page in place of the settings file; every value is JSON.

=====================  ======================================================================
key                    value
=====================  ======================================================================
``a4_hz``              number, 400 to 480
``tuning``             one of ``appliance.tuning.TUNINGS``
``instrument``         a name of ``appliance.instruments``
``band_cents``         number, 5 to 30
``drone_note``         a note from C1 to C7, such as ``"Bb3"``
``drone_level_dbfs``   number, -60 to -9: how loud the drone is sent, RMS re full scale
``lock_a4``            true: only the owner sets A4
``lock_loudness``      true: only the owner sets how loud drone and cues are
``quiet_from``         ``"21:30"`` in the room's time zone: from then on no drone sounds …
``quiet_to``           … until then; both or neither
``self_registration``  true: anybody in the room may register as a player
=====================  ======================================================================

A key that was never set is not there: then the settings file holds.
"""

import json
import re
from typing import Any

from appliance.log.logbook import RoomLog
from appliance.log.reader import LogReader
from appliance.rules import DRONE_NOTE, INSTRUMENT, Between, Text, one_of
from appliance.tuning import TUNINGS
from appliance.vocabulary import SettingsError

FIRST_VERSION = 3  # of the log, with a table for these

Value = str | float | bool

_CLOCK = Text("a time such as 21:30", re.compile(r"([01][0-9]|2[0-3]):[0-5][0-9]").fullmatch)
_SWITCH = None
KEYS: dict[str, Between | Text | None] = {
    "a4_hz": Between(400.0, 480.0),
    "tuning": one_of(TUNINGS),
    "instrument": INSTRUMENT,
    "band_cents": Between(5.0, 30.0),
    "drone_note": DRONE_NOTE,
    "drone_level_dbfs": Between(-60.0, -9.0),
    "lock_a4": _SWITCH,
    "lock_loudness": _SWITCH,
    "quiet_from": _CLOCK,
    "quiet_to": _CLOCK,
    "self_registration": _SWITCH,
}


def check(key: str, value: object) -> None:
    """Raise SettingsError, naming the key and what is allowed, for what cannot be set."""
    if key not in KEYS:
        raise SettingsError(f"{key} is no setting of a room: the settings are {', '.join(KEYS)}")
    rule = KEYS[key]
    if rule is None:
        right, allowed = isinstance(value, bool), "true or false"
    else:
        right, allowed = rule.accepts(value) and not isinstance(value, bool), rule.allowed
    if not right:
        raise SettingsError(f"{key} must be {allowed}")


class RoomSettingsReader(LogReader):
    """What was set on the page."""

    def room_settings(self) -> dict[str, Any]:
        """Return every value that was set and still is allowed, by key."""
        if self._pragma("user_version") < FIRST_VERSION:
            return {}
        rows = self._rows("SELECT key, value FROM room_setting", {})
        found = {row["key"]: json.loads(row["value"]) for row in rows}
        return {key: value for key, value in found.items() if _is_allowed(key, value)}


class RoomSettingsEditor(RoomLog, RoomSettingsReader):
    """Sets values; the web's own writing side, as with people."""

    def set_room_setting(self, key: str, value: Value | None) -> None:
        """Set a value, or with ``None`` let the settings file hold again.

        Raises SettingsError for an unknown key or a value that is not allowed.
        """
        if value is None:
            self._do("DELETE FROM room_setting WHERE key = :key", {"key": key})
            return
        check(key, value)
        self._do(
            "INSERT INTO room_setting (key, value) VALUES (:key, :value) "
            "ON CONFLICT (key) DO UPDATE SET value = excluded.value",
            {"key": key, "value": json.dumps(value)},
        )


def _is_allowed(key: str, value: object) -> bool:
    try:
        check(key, value)
    except SettingsError:  # set by another version
        return False
    return True
