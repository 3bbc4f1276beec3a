"""Forgetting people from a page: in the log, in what the pages keep in memory, and to the end.

Where something else holds the log, a thread goes on trying until no trace is left. So it does for
what an earlier process left behind.
"""

import threading
import time
from pathlib import Path

from flask import Flask, current_app

from appliance.log import erasing
from appliance.log.people import PeopleReader
from appliance.log.shelf import Shelf
from appliance.log.upkeep import Erasure
from appliance.log.wander import sitting_threshold
from web.place import current_room
from web.room_answer import check_out_at_once

AGAIN_S = 15.0


class Eraser:
    """Forgets people of one log."""

    def __init__(self, log_path: Path, backups: Path, shelf: Shelf) -> None:
        """Go on with what is owed still; ``backups`` is their folder."""
        self._log_path = log_path
        self._backups = backups
        self._shelf = shelf
        self._lock = threading.Lock()
        self._thread: threading.Thread | None = None
        self._go_on()

    @property
    def is_owed(self) -> bool:
        """Whether bytes of what was deleted may still be in the files of the log."""
        return erasing.is_owed(self._log_path)

    def forget(self, erasure: Erasure) -> None:
        """Delete a person and all of theirs; raises LogbookError where nothing could be deleted."""
        erasing.forget(self._log_path, self._backups, erasure)
        self._shelf.forget(erasure.person_id)
        sitting_threshold.cache_clear()  # it has calls, without saying whose
        self._go_on()

    def _go_on(self) -> None:
        with self._lock:
            if self.is_owed and (self._thread is None or not self._thread.is_alive()):
                self._thread = threading.Thread(target=self._settle, name="erasing", daemon=True)
                self._thread.start()

    def _settle(self) -> None:
        while not erasing.settle(self._log_path):
            time.sleep(AGAIN_S)


def register(app: Flask, backups: Path) -> None:
    """Give ``app`` its eraser; after the shelf is there."""
    log_path = app.extensions["groundnote"].log_path
    app.extensions["eraser"] = Eraser(log_path, backups, app.extensions["shelf"])


def forget_person(person_id: str) -> None:
    """Forget somebody with all that was logged for them, and log nothing more to them.

    Raises PersonError where the room would be without an owner, LogbookError where nothing could be
    deleted.
    """
    room = current_room()
    with PeopleReader(room.log_path) as people:
        people.keep_an_owner(person_id)
    check_out_at_once(person_id, room.now_s())
    eraser().forget(Erasure(person_id, room.now_s()))


def eraser() -> Eraser:
    """Return the eraser of the app that answers."""
    found = current_app.extensions["eraser"]
    assert isinstance(found, Eraser)
    return found
