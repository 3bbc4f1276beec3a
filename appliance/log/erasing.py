"""Forgetting somebody for good, even while something else reads the log.

Their rows are deleted at once. Bytes of them can be removed from the file and from the write-ahead
log only when nobody reads an older state of it. Until then the file ``LOG.traces`` beside the log
says that this is owed, and whoever finds it tries again: the pages every few seconds, and every
night the backup.
"""

import logging
from pathlib import Path

from appliance.log.backups import note_erasures
from appliance.log.upkeep import Erasure, Upkeep
from appliance.vocabulary import LogbookError

logger = logging.getLogger(__name__)


def forget(log_path: Path, folder: Path, erasure: Erasure) -> None:
    """Delete a person and all their sittings; :func:`is_owed` tells whether traces are left.

    ``folder`` is that of the backups: who is forgotten stands there at once. Raises
    :class:`LogbookError` where nothing could be deleted.
    """
    owe(log_path)
    with Upkeep(log_path) as log:
        log.delete_rows_of(erasure)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        note_erasures(folder, [erasure])
    except OSError as error:  # the log knows it, too, and every night it is noted again
        logger.warning("Who is forgotten cannot be noted in %s: %s", folder, error)
    settle(log_path)


def owe(log_path: Path) -> None:
    """Note beside the log that traces of what is deleted are to be removed."""
    try:
        _note(log_path).touch()
    except OSError as error:
        raise LogbookError(f"Nothing can be noted beside the log {log_path}: {error}.") from error


def is_owed(log_path: Path) -> bool:
    """Whether bytes of what was deleted may still be in the files of the log."""
    return _note(log_path).exists()


def settle(log_path: Path) -> bool:
    """Remove the traces that are owed; return whether none is left."""
    note = _note(log_path)
    try:
        since = note.stat().st_mtime_ns
        with Upkeep(log_path) as log:
            log.wipe()
        if note.stat().st_mtime_ns == since:  # else somebody was forgotten meanwhile
            note.unlink()
    except FileNotFoundError:  # another process was faster, or nothing was owed
        return True
    except LogbookError as error:
        logger.warning("%s", error)
    return not note.exists()


def _note(log_path: Path) -> Path:
    return log_path.with_name(log_path.name + ".traces")
