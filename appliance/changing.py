"""The settings that hold while the room runs, and how others take their place."""

import queue
import threading
from collections.abc import Callable
from contextlib import suppress

from appliance.control import Message
from appliance.log.chosen import HouseRules
from appliance.room_setup import Setup
from appliance.settings import RoomSettings, Settings

CHANGE_S = 0.6  # how long another instrument waits for the hearing; then it is there at once


def needs_new_ear(before: RoomSettings, room: RoomSettings) -> bool:
    """Tell whether notes heard before and after a change of settings cannot share a sitting."""
    return before.a4_hz != room.a4_hz or before.instrument != room.instrument


class SettingsInForce:
    """What the file says, and over it what was set on the page.

    ``take_up(settings, rules)`` is called for every change, from whichever thread makes it.
    """

    def __init__(
        self,
        file: Settings,
        set_before: Message,
        take_up: Callable[[Settings, HouseRules], None],
    ) -> None:
        """Let the file hold, and over it what was set before this start; nobody is told yet."""
        self._setup = Setup(file, set_before)
        self.settings = self._setup.settings
        self._take_up = take_up
        self._setting = threading.Lock()
        self._changes: queue.SimpleQueue[Setup] = queue.SimpleQueue()  # those that end a sitting
        self._changed = threading.Event()

    @property
    def rules(self) -> HouseRules:
        """The owner's rules."""
        return self._setup.rules

    @property
    def changing(self) -> bool:
        """Whether settings wait for :meth:`take_changes`."""
        return not self._changes.empty()

    def set(self, values: Message, *, by_owner: bool) -> None:
        """Take values of :mod:`appliance.log.room_settings` at once; a null one is the file's.

        What needs a new ear is left to :meth:`take_changes` for a moment. Raises SettingsError
        and ControlError as :meth:`Setup.with_values` does; then nothing changes.
        """
        with self._setting:
            setup = self._setup.with_values(values, by_owner=by_owner)
            if needs_new_ear(self.settings.room, setup.settings.room):
                self._changed.clear()
                self._changes.put(setup)
                self._changed.wait(CHANGE_S)  # for the hearing to end the note that sounds
                self.take_changes()
            else:
                self._hold(setup)

    def take_changes(self) -> None:
        """Let hold what waits: no note sounds that was heard before."""
        with suppress(queue.Empty):
            self._hold(self._changes.get_nowait())
            self._changed.set()

    def _hold(self, setup: Setup) -> None:
        self._setup, self.settings = setup, setup.settings
        self._take_up(setup.settings, setup.rules)
