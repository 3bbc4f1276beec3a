"""``groundnote backup`` and what is done every night with ``--nightly``.

At night sittings older than ``notes_kept_days`` are deleted, whoever asked to be forgotten is
forgotten in all backups and in logs set aside, the log is copied, and the copy goes to a USB stick
where one is mounted.
"""

import argparse
import time
from pathlib import Path

from appliance.devices.clock import kernel_clock_synchronised
from appliance.log import erasing
from appliance.log.backups import (
    BackupError,
    back_up,
    backups_in,
    clean,
    copy_to_stick,
    folder_of,
    note_erasures,
)
from appliance.log.keeping import logs_aside, suspicion
from appliance.log.logfile import DamagedLogError
from appliance.log.upkeep import Upkeep
from appliance.settings import Settings, load
from appliance.vocabulary import LogbookError

DAY_S = 86400.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add what ``backup`` can be told."""
    parser.add_argument("--settings", type=Path, metavar="FILE", help="a TOML file")
    parser.add_argument("--log", type=Path, metavar="FILE", help="the log, instead of log_path")
    parser.add_argument(
        "--nightly", action="store_true", help="also delete what is older than notes_kept_days"
    )


def run(options: argparse.Namespace) -> int:
    """Make a backup, at night after the cleaning; return 0. Raises what a person has to know."""
    settings = load(options.settings) if options.settings else Settings()
    log_path = options.log or Path(settings.room.log_path)
    if options.nightly:
        _delete_old(log_path, settings.room.notes_kept_days)
        _clean_copies(log_path, settings)
        if not erasing.settle(log_path):
            print("The log is being read, so traces of what is deleted stay in it for now.")
    backup = _copied(log_path, settings)
    print(f"The log is copied to {backup}.")
    if settings.backup.stick_path:
        stick = Path(settings.backup.stick_path)
        copied = copy_to_stick(backup, stick, settings.backup.kept)
        print(f"And to {copied}." if copied else f"No stick is mounted at {stick}.")
    return 0


def _copied(log_path: Path, settings: Settings) -> Path:
    folder = folder_of(settings, log_path)
    try:
        return back_up(log_path, folder, time.time(), settings.backup.kept)
    except DamagedLogError as error:
        suspicion(log_path).touch()
        raise BackupError(
            f"{error} Start the room again: it then sets the log aside and begins a new one."
        ) from error


def _delete_old(log_path: Path, kept_days: float) -> None:
    """Delete what is too old, if anybody can say what day it is."""
    if not kernel_clock_synchronised():
        print("The clock was never set right, so nothing old is deleted: see to the network.")
        return
    with Upkeep(log_path) as log:
        deleted = log.delete_before(time.time() - kept_days * DAY_S)
        try:
            log.empty_waiting()
        except LogbookError:  # somebody is reading: tried again below, and by the pages
            erasing.owe(log_path)
    if deleted:
        print(f"{deleted} sittings older than {kept_days:g} days are deleted.")


def _clean_copies(log_path: Path, settings: Settings) -> None:
    folder = folder_of(settings, log_path)
    folder.mkdir(parents=True, exist_ok=True)
    with Upkeep(log_path) as log:
        erasures = note_erasures(folder, log.erasures())
    stick = Path(settings.backup.stick_path or folder) / "groundnote-backups"
    left = clean([*backups_in(folder), *backups_in(stick), *logs_aside(log_path)], erasures)
    if left and erasures:
        names = ", ".join(str(file) for file in left)
        print(f"These cannot be opened and may tell of somebody who is forgotten: delete {names}.")
