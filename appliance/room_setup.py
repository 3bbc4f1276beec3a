"""How the room is set up: the settings file, what the page set over it, and the owner's rules."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from appliance.log import room_settings
from appliance.log.chosen import HouseRules, house_rules, settings_over
from appliance.settings import Settings
from appliance.vocabulary import ControlError

OWNERS_KEYS = ("lock_a4", "lock_loudness", "quiet_from", "quiet_to", "self_registration")


@dataclass(frozen=True)
class Setup:
    """The settings of the file and the values set over them, by key."""

    file: Settings
    values: Mapping[str, Any] = field(default_factory=dict)

    @property
    def settings(self) -> Settings:
        """The settings that hold."""
        return settings_over(self.file, self.values)

    @property
    def rules(self) -> HouseRules:
        """The rules that hold."""
        return house_rules(self.values)

    def with_values(self, asked: Mapping[str, Any], *, by_owner: bool = False) -> "Setup":
        """Return the set-up with other values; ``None`` lets the file hold again.

        Raises SettingsError for a value that is not allowed, ControlError where only the owner may.
        """
        for key, value in asked.items():
            if value is not None or key not in room_settings.KEYS:
                room_settings.check(key, value)
            self._check_right(key, by_owner)
        merged = {**self.values, **asked}
        values = {key: value for key, value in merged.items() if value is not None}
        if ("quiet_from" in values) is not ("quiet_to" in values):
            raise ControlError("Quiet hours need a time to begin and a time to end.")
        settings_over(self.file, values)  # raises where they do not go together
        return Setup(self.file, values)

    def _check_right(self, key: str, by_owner: bool) -> None:
        if by_owner:
            return
        if key in OWNERS_KEYS:
            raise ControlError(f"Only the owner of the room sets {key}.")
        if key == "a4_hz" and self.rules.lock_a4:
            raise ControlError("The owner of the room has locked A4: it stays as it is.")
        if key == "drone_level_dbfs" and self.rules.lock_loudness:
            raise ControlError("The owner of the room has locked how loud the drone is.")
