"""Counts of tries that outlast a restart: whoever gets the pages restarted gains no tries by it.

The counting is that of ``limits``, in memory. Every try that counts is one line of a small file
beside the log as well, and so is that tries are forgiven. A line names the count by a keyed hash,
so that the file tells neither nicknames nor addresses. What has run out is left behind whenever the
file is written anew: at the start, and once it has grown.
"""

import logging
import os
import time
from contextlib import suppress
from hashlib import blake2b
from pathlib import Path
from threading import Lock

from limits.storage.memory import Entry, MemoryStorage

_FORGIVEN = "-"
LINES = 4000  # of some 50 bytes; then the file is written anew

_log = logging.getLogger(__name__)


class KeptStorage(MemoryStorage):
    """The storage of ``limits`` that keeps moving windows in a file, too.

    Where the file cannot be read or written it says so and counts on in memory: nobody is kept from
    signing in by a full card.
    """

    def __init__(self, path: Path, secret: bytes) -> None:
        """Go on with what ``path`` holds, if it is there; ``secret`` is the key of the hashes."""
        super().__init__()
        self._path, self._secret = path, secret
        self._writing = Lock()
        self._lines = 0
        with self._writing:
            self._load()

    def acquire_entry(self, key: str, limit: int, expiry: int, amount: int = 1) -> bool:
        """Count a try in a window of ``expiry`` seconds, unless ``limit`` are in it."""
        name = self._name(key)
        with self._writing:
            if not super().acquire_entry(name, limit, expiry, amount):
                return False
            self._append(f"{name} {time.time():.3f} {expiry}\n" * amount)
        return True

    def get_moving_window(self, key: str, limit: int, expiry: int) -> tuple[float, int]:
        """Return since when (Unix time) tries count in a window, and how many do."""
        since_s, count = super().get_moving_window(self._name(key), limit, expiry)
        return float(since_s), int(count)

    def clear(self, key: str) -> None:
        """Forget the tries of a count."""
        name = self._name(key)
        with self._writing:
            if self.events.get(name):
                self._append(f"{name} {_FORGIVEN}\n")
            super().clear(name)

    def _name(self, key: str) -> str:
        return blake2b(key.encode(), key=self._secret, digest_size=12).hexdigest()

    def _append(self, lines: str) -> None:
        if self._lines >= LINES:
            self._write_anew()
        try:
            file = os.open(self._path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
            with os.fdopen(file, "a", encoding="ascii") as kept:
                kept.write(lines)
        except OSError as error:
            _log.warning("Tries of a PIN are not kept in %s (%s).", self._path, error.strerror)
        self._lines += lines.count("\n")

    def _load(self) -> None:
        try:
            lines = self._path.read_text(encoding="ascii", errors="replace").splitlines()
        except FileNotFoundError:
            return
        except OSError as error:
            _log.warning("Tries of a PIN kept in %s cannot be read (%s).", self._path, error)
            return
        now_s = time.time()
        for line in lines:
            name, *when = line.split(" ")
            if when == [_FORGIVEN]:
                self.events.pop(name, None)
                continue
            with suppress(ValueError):  # a line that a power cut has torn
                tried_s, window_s = map(float, when)
                # One from the future was kept by a clock that has been set back since.
                if tried_s <= now_s < tried_s + window_s:
                    entry = Entry(window_s)
                    entry.atime, entry.expiry = tried_s, tried_s + window_s
                    self.events.setdefault(name, []).insert(0, entry)
        self._write_anew()

    def _write_anew(self) -> None:
        """Write what still counts, whole or not at all."""
        now_s = time.time()
        lines = [
            f"{name} {entry.atime:.3f} {entry.expiry - entry.atime:.0f}\n"
            for name, entries in list(self.events.items())
            for entry in reversed(entries)
            if entry.expiry > now_s
        ]
        draft = self._path.with_name(f"{self._path.name}.draft")
        try:
            draft.unlink(missing_ok=True)
            file = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            with os.fdopen(file, "w", encoding="ascii") as kept:
                kept.writelines(lines)
            draft.replace(self._path)
        except OSError as error:
            _log.warning("Tries of a PIN are not kept in %s (%s).", self._path, error.strerror)
        self._lines = len(lines)
