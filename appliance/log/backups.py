"""Backups: whole copies of the log, each one file, each opened and read through once it is written.

A backup is named by its day and time (UTC), such as ``groundnote-20260209T023000Z.db``. Beside the
backups lies ``erased``: who asked to be forgotten, so that a copy from before is cleaned again when
it is brought back, even where the log itself is lost.
"""

import logging
import os
import shutil
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

from appliance.log.keeping import PARTS, Hold, move_aside, sync_folder
from appliance.log.logfile import DamagedLogError
from appliance.log.upkeep import Erasure, Upkeep
from appliance.settings import Settings
from appliance.vocabulary import GroundnoteError, LogbookError

logger = logging.getLogger(__name__)

ERASED = "erased"
SPARE = 1.2  # free space wanted, as a share of the log's size


class BackupError(GroundnoteError):
    """A backup cannot be made, found or brought back."""


def folder_of(settings: Settings, log_path: Path) -> Path:
    """Return where the backups of a log lie."""
    return log_path.parent / settings.backup.folder


def backups_in(folder: Path) -> list[Path]:
    """Return the backups in a folder, oldest first."""
    return sorted(folder.glob("*-????????T??????Z.db"))


def offer(folder: Path) -> str:
    """Say in a sentence what could be brought back."""
    there = backups_in(folder)
    if not there:
        return "There is no backup of it yet."
    made = made_at(there[-1]).strftime("%d %B %Y, %H:%M UTC")
    return f"The backup of {made} can be brought back with 'groundnote restore'."


def made_at(backup: Path) -> datetime:
    """Return when a backup was made, by its name."""
    stamp = backup.stem.rpartition("-")[2]
    return datetime.strptime(stamp, "%Y%m%dT%H%M%SZ").replace(tzinfo=UTC)


def back_up(log_path: Path, folder: Path, now_wall_s: float, kept: int) -> Path:
    """Copy the log, read the copy through, keep the newest ``kept``; return the new one.

    Raises :class:`BackupError` or :class:`LogbookError`; what was there before is then untouched.
    """
    _make_folder(folder)
    stamp = datetime.fromtimestamp(now_wall_s, UTC).strftime("%Y%m%dT%H%M%SZ")
    backup = folder / f"{log_path.stem}-{stamp}.db"
    if backup.exists():
        raise BackupError(f"There is a backup {backup} already: try again in a second.")
    with Upkeep(log_path, as_it_is=True) as log:  # a backup comes before an older log is changed
        _copy(log, backup, log_path.stat().st_size)
        note_erasures(folder, log.erasures())
    _keep(backup, kept)
    return backup


def _keep(made: Path, kept: int) -> None:
    """Keep what was just made, whatever a wrong clock calls it, and the newest of the others."""
    others = [backup for backup in backups_in(made.parent) if backup != made]
    for old in others[: max(0, len(others) - (kept - 1))]:
        old.unlink()


def _copy(log: Upkeep, target: Path, size: int) -> None:
    free = shutil.disk_usage(target.parent).free
    if free < SPARE * size:
        raise BackupError(
            f"There is no room for a backup in {target.parent}: {free // 10**6} MB are free, "
            f"{int(SPARE * size) // 10**6 + 1} MB are needed."
        )
    with _beside(target) as making:
        log.copy_to(making)
        with Upkeep(making, as_it_is=True) as copy:
            copy.check_sound()
        _take_place(making, target)


@contextmanager
def _beside(file: Path) -> Iterator[Path]:
    """Where to make what is to take a file's place; nothing half made stays there."""
    making = file.with_name(file.name + ".making")
    making.unlink(missing_ok=True)  # of one that a power cut ended
    try:
        yield making
    finally:
        making.unlink(missing_ok=True)


def _take_place(making: Path, file: Path) -> None:
    _give(making, file.parent)
    making.replace(file)
    sync_folder(file.parent)


def copy_to_stick(backup: Path, stick: Path, kept: int) -> Path | None:
    """Copy a backup to a USB stick, if one is mounted there; return the copy."""
    if not os.path.ismount(stick):
        return None
    folder = stick / "groundnote-backups"
    folder.mkdir(exist_ok=True)
    copied = folder / backup.name
    with Upkeep(backup, as_it_is=True) as log:
        _copy(log, copied, backup.stat().st_size)
    note_erasures(folder, note_erasures(backup.parent, []))
    _keep(copied, kept)
    return copied


def note_erasures(folder: Path, erasures: Iterable[Erasure]) -> list[Erasure]:
    """Add to the list beside the backups; return all that are in it now."""
    path = folder / ERASED
    known = {one.person_id: one for one in erasures}
    if path.exists():
        for line in path.read_text(encoding="utf-8").splitlines():
            person_id, _, wall_s = line.partition(" ")
            known.setdefault(person_id, Erasure(person_id, float(wall_s)))
    if known:
        writing = path.with_name(ERASED + ".making")
        writing.write_text("".join(f"{one.person_id} {one.wall_s}\n" for one in known.values()))
        _give(writing, folder)
        writing.replace(path)
    return list(known.values())


def _make_folder(folder: Path) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    _give(folder, folder.parent)


def _give(file: Path, folder: Path) -> None:
    """Let a file be its folder's owner's: what root has made the room must be able to write."""
    if os.geteuid() == 0:
        owner = folder.stat()
        os.chown(file, owner.st_uid, owner.st_gid)


def clean(files: Iterable[Path], erasures: Iterable[Erasure]) -> list[Path]:
    """Forget people in copies of the log; return those that cannot be opened and may know them.

    Each copy is cleaned beside itself and then takes its own place.
    """
    erasures, left = list(erasures), []
    for file in files:
        try:
            _clean(file, erasures)
        except LogbookError as error:
            logger.error("%s", error)
            left.append(file)
    return left


def _clean(file: Path, erasures: list[Erasure]) -> None:
    with _beside(file) as making:
        with Upkeep(file, as_it_is=True) as log:
            known = [one for one in erasures if log.knows(one.person_id)]
            if not known:
                return
            log.copy_to(making)
        with Upkeep(making) as copy:
            for one in known:
                copy.forget(one)
            copy.check_sound()
        for part in ("-wal", "-shm"):  # all that waited there is in the copy
            file.with_name(file.name + part).unlink(missing_ok=True)
        _take_place(making, file)


def restore(backup: Path, log_path: Path, folder: Path) -> Path | None:
    """Bring a backup back; return where the log that was there is now.

    What was logged since is added to it, where that log can be read; who asked to be forgotten is
    forgotten again. Raises :class:`BackupError` for what is no backup, :class:`LogbookError` while
    a room uses the log. Nothing is overwritten.
    """
    if not backup.is_file():
        raise BackupError(f"There is no backup {backup}: 'groundnote restore' lists what there is.")
    _make_folder(folder)
    hold = Hold(log_path)
    making = log_path.with_name(log_path.name + ".making")
    try:
        making.unlink(missing_ok=True)
        with Upkeep(backup, as_it_is=True) as log:
            log.check_sound()
            log.copy_to(making)
        with Upkeep(making) as log:
            _bring_together(log, log_path)
            erasures = [*log.erasures(), *note_erasures(backup.parent, [])]
            _forget_again(log, note_erasures(folder, erasures))
        there = any(log_path.with_name(log_path.name + part).exists() for part in PARTS)
        aside = move_aside(log_path, "replaced") if there else None
        _give(making, log_path.parent)
        making.rename(log_path)
        sync_folder(log_path.parent)
    finally:
        making.unlink(missing_ok=True)
        hold.give_back(clean=True)
    return aside


def _bring_together(log: Upkeep, log_path: Path) -> None:
    """Add what the present log has, where it can be read."""
    present = log_path.with_name(log_path.name + ".present")
    present.unlink(missing_ok=True)
    try:
        if log_path.exists() and log_path.stat().st_size > 0:
            with Upkeep(log_path, as_it_is=True) as other:
                other.check_sound()
                other.copy_to(present)
            Upkeep(present).close()  # of the same version now
            log.take_in(present)
    except DamagedLogError as error:
        logger.error("%s Nothing was taken over from it.", error)
    finally:
        present.unlink(missing_ok=True)


def _forget_again(log: Upkeep, erasures: Iterable[Erasure]) -> None:
    for one in erasures:
        if log.knows(one.person_id):
            log.forget(one)
    log.check_sound()
