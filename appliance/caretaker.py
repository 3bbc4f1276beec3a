"""What a running room does for whoever looks after it: the status light, and the room check."""

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from typing import Any, Protocol

from appliance.checking.verdicts import as_message
from appliance.checkup import Checkup
from appliance.practice.signs import Sign, sign_of
from appliance.vocabulary import ControlError

Message = dict[str, Any]


class Light(Protocol):
    """A status light, real or none."""

    def show(self, sign: Sign) -> None:
        """Show a sign from now on."""

    def note(self) -> None:
        """Let it be seen that a note has been logged."""

    def try_out(self) -> None:
        """Show *trouble* for a moment, so that somebody can look."""

    def close(self) -> None:
        """Put the light out."""


class Caretaker:
    """Follows the room's status with the light, and checks the room when asked.

    ``light_trouble`` is a sentence where a light is set and cannot be used.
    """

    def __init__(
        self,
        checkup: Checkup | None = None,
        light: Light | None = None,
        light_trouble: str | None = None,
    ) -> None:
        """Stand ready; without a ``checkup`` the room cannot be checked."""
        self._checkup, self._light, self._light_trouble = checkup, light, light_trouble
        self._notes_written = 0
        self._checking = threading.Lock()
        self._last: Message = {"at": None, "lines": []}

    def look(self, status: Message) -> None:
        """Take how the room is; the light follows."""
        if self._light is None:
            return
        self._light.show(
            sign_of(
                trouble=bool(troubles(status)), sitting=status["sitting"], paused=status["paused"]
            )
        )
        notes_written = status["log"]["notes_written"]
        if notes_written > self._notes_written:
            self._light.note()
        self._notes_written = notes_written

    def answer(self, request: Message, progress: Callable[[], None], *, sounding: bool) -> Message:
        """Answer ``check`` (``"again": false``: the last one), ``calibrate`` and ``light``.

        ``progress`` is called while a check goes on. Raises :class:`ControlError` while the drone
        is ``sounding``, while a check goes on, and where nothing can be checked.
        """
        if request.get("do") == "light":
            fitted = self._light is not None or self._light_trouble is not None
            return {"light": {"fitted": fitted, "trouble": self._try_light()}}
        if request.get("do") == "calibrate":
            return {"level_db": self._level(request.get("what"), progress, sounding=sounding)}
        if request.get("again") is not False:
            self._check(progress, sounding=sounding)
        return {"check": self._last}

    def close(self) -> None:
        """Put the light out."""
        if self._light is not None:
            self._light.close()

    def _try_light(self) -> str | None:
        if self._light is None:
            return self._light_trouble
        self._light.try_out()
        return None

    def _check(self, progress: Callable[[], None], *, sounding: bool) -> None:
        with self._borrowed(sounding=sounding) as checkup:
            lines = as_message(checkup.lines(progress))
        self._last = {"at": datetime.now(UTC).isoformat(timespec="seconds"), "lines": lines}

    def _level(self, what: object, progress: Callable[[], None], *, sounding: bool) -> float:
        if what not in ("loudspeaker", "player"):
            raise ControlError("'what' to calibrate is 'loudspeaker' or 'player'.")
        with self._borrowed(sounding=sounding) as checkup:
            return checkup.level_db(what == "loudspeaker", progress)

    @contextmanager
    def _borrowed(self, *, sounding: bool) -> Iterator[Checkup]:
        """Let one at a time use the sound interface, and only while no drone sounds."""
        if self._checkup is None:
            raise ControlError("A simulated room cannot be checked: start it on real devices.")
        if sounding:
            raise ControlError("The drone is on: stop it, wait until nobody plays, and check then.")
        if not self._checking.acquire(blocking=False):
            raise ControlError("The room is being checked just now: wait half a minute.")
        try:
            yield self._checkup
        finally:
            self._checking.release()


def troubles(status: Message) -> list[str]:
    """All that is the matter, in sentences."""
    parts = (status.get(name, {}) for name in ("sound", "log", "pedals", "settings"))
    found = [str(part["trouble"]) for part in parts if part.get("trouble")]
    if not status["sound"]["running"] and not status["sound"]["trouble"]:
        found.append("The sound has stopped.")
    return found
