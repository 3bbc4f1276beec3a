"""Opening the room's log so that nothing of it is ever overwritten.

While a room holds its log, the file ``LOG.in-use`` beside it is locked and not empty. Found so by
the next one to open, it says that the last stop was no clean one: then the log is read through
before anything is written. A damaged log is renamed with its write-ahead log, byte for byte, and a
new one begins in its place.
"""

import fcntl
import logging
import os
from datetime import UTC, datetime
from pathlib import Path
from typing import Self

from appliance.log.logbook import Logbook
from appliance.log.logfile import DamagedLogError, NoLogYetError
from appliance.log.reader import LogReader
from appliance.vocabulary import LogbookError

logger = logging.getLogger(__name__)

PARTS = ("-wal", "-shm", "-journal", "")  # the database last: without it the others are nothing


class Hold:
    """The right to write a log, which one room at a time has.

    Raises :class:`LogbookError` where another has it or the folder cannot be written.
    """

    def __init__(self, log_path: Path) -> None:
        """Take it; ``unclean`` says whether whoever had it last could not give it back."""
        self._path = log_path.with_name(log_path.name + ".in-use")
        try:
            self._file = os.open(self._path, os.O_RDWR | os.O_CREAT, 0o600)
        except OSError as error:
            raise LogbookError(
                f"The log {log_path} cannot be held ({error.strerror}): check the folder, its "
                "permissions and the free space."
            ) from error
        try:
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            self.unclean = os.fstat(self._file).st_size > 0
            os.pwrite(self._file, b"in use\n", 0)
            os.fsync(self._file)
            sync_folder(log_path.parent)
        except OSError as error:
            os.close(self._file)
            raise LogbookError(
                f"The log {log_path} is held by another program or its storage refuses "
                f"({error.strerror}): stop the room that uses it."
            ) from error

    def give_back(self, *, clean: bool) -> None:
        """Let others have it; only a ``clean`` one removes the trace."""
        if clean:
            self._path.unlink(missing_ok=True)
        os.close(self._file)


class KeptLog(Logbook):
    """The room's log, held; closed cleanly it leaves no trace that it was in use.

    ``offer`` is a sentence on what could be brought back in place of a log that was set aside.
    """

    def __init__(self, path: Path, room: str, offer: str) -> None:
        """Open the log; a damaged one is set aside first."""
        self._hold: Hold | None = Hold(path)
        try:
            suspect = suspicion(path)
            aside = None
            if self._hold.unclean or suspect.exists():
                aside = set_aside_if_damaged(path)
                suspect.unlink(missing_ok=True)
            try:
                super().__init__(path, room)
            except DamagedLogError as error:
                aside = set_aside(path, str(error))
                super().__init__(path, room)
            self._outlasting = LogReader(path)
        except BaseException:
            self._let_go(clean=False)
            raise
        self.set_aside = None if aside is None else aside.name
        self.notice = _notice(path, offer)

    def close(self) -> None:
        """Close in good order."""
        self._outlasting.close()
        super().close()
        self._let_go(clean=True)

    def abandon(self) -> None:
        """Close after a failure: the next one to open reads the log through.

        A reader outlasts it, since SQLite moves what waits into the log when the last one closes,
        and nothing shall be written to a log that may be damaged.
        """
        super().close()
        self._outlasting.close()
        self._let_go(clean=False)

    def _let_go(self, *, clean: bool) -> None:
        if self._hold is not None:
            self._hold.give_back(clean=clean)
            self._hold = None

    def __enter__(self) -> Self:
        """Enter a ``with`` block."""
        return self


def suspicion(path: Path) -> Path:
    """Return the file that lies beside a log which somebody has found damaged while it was held."""
    return path.with_name(path.name + ".suspect")


def set_aside_if_damaged(path: Path) -> Path | None:
    """Read a log through without writing; set it aside where it is damaged.

    Raises :class:`LogbookError` for somebody else's database and for a newer log, which stay.
    """
    if path.with_name(path.name + "-journal").exists():
        return None  # its making was cut off; opening takes that back
    try:
        if _emptied(path):
            raise DamagedLogError(f"The log {path} is empty and its write-ahead log is not.")
        with LogReader(path) as log:
            log.check_sound()
    except NoLogYetError:
        return None
    except DamagedLogError as error:
        return set_aside(path, str(error))
    return None


def _emptied(path: Path) -> bool:
    """Tell whether SQLite would take the log for a new one, and drop what waits beside it."""
    waiting = path.with_name(path.name + "-wal")
    size = path.stat().st_size if path.exists() else 0
    return size == 0 and waiting.exists() and waiting.stat().st_size > 0


def set_aside(path: Path, why: str) -> Path:
    """Put a damaged log out of the way, untouched; return where it is now."""
    aside = move_aside(path, "damaged")
    logger.error("%s It was set aside, untouched, as %s.", why, aside.name)
    return aside


def move_aside(path: Path, word: str) -> Path:
    """Rename a log and what belongs to it; return where it is now."""
    aside = _free_name(path, word)
    try:
        for part in PARTS:
            there = path.with_name(path.name + part)
            if there.exists():
                there.rename(aside.with_name(aside.name + part))
        sync_folder(path.parent)
    except OSError as error:
        raise LogbookError(
            f"The log {path} cannot be set aside ({error.strerror}): check the folder."
        ) from error
    return aside


def _free_name(path: Path, word: str) -> Path:
    stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")
    name = f"{path.stem}.{word}-{stamp}"
    number, aside = 1, path.with_name(f"{name}{path.suffix}")
    while any(aside.with_name(aside.name + part).exists() for part in PARTS):
        number += 1
        aside = path.with_name(f"{name}-{number}{path.suffix}")
    return aside


def logs_aside(path: Path) -> list[Path]:
    """Return the logs that were set aside beside this one, damaged or replaced, oldest first."""
    found = path.parent.glob(f"{path.stem}.*-*{path.suffix}")
    return sorted(file for file in found if file.name.split(".")[-2].startswith(ASIDE))


ASIDE = ("damaged-", "replaced-")


def _notice(path: Path, offer: str) -> str | None:
    damaged = [file.name for file in logs_aside(path) if ".damaged-" in file.name]
    if not damaged:
        return None
    names = ", ".join(damaged)
    return f"The log was damaged and set aside, untouched, as {names}; a new one goes on. {offer}"


def sync_folder(folder: Path) -> None:
    """See that a renamed or new file in a folder outlives a power cut."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
