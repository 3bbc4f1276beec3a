"""``groundnote restore``: list the backups, or bring one back."""

import argparse
from pathlib import Path

from appliance.log.backups import backups_in, folder_of, made_at, restore
from appliance.settings import Settings, load

LAST = "last"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add what ``restore`` can be told."""
    parser.add_argument(
        "backup", nargs="?", metavar=f"FILE|{LAST}", help="the backup; without: list what there is"
    )
    parser.add_argument("--settings", type=Path, metavar="FILE", help="a TOML file")
    parser.add_argument("--log", type=Path, metavar="FILE", help="the log, instead of log_path")


def run(options: argparse.Namespace) -> int:
    """List, or bring back; return 0. Raises what a person has to know."""
    settings = load(options.settings) if options.settings else Settings()
    log_path = options.log or Path(settings.room.log_path)
    folder = folder_of(settings, log_path)
    there = backups_in(folder)
    if options.backup is None:
        for backup in there:
            made = made_at(backup).strftime("%d %B %Y, %H:%M UTC")
            print(f"{made}  {backup.stat().st_size / 1e6:8.1f} MB  {backup}")
        print("Bring one back with 'groundnote restore FILE'." if there else "No backup yet.")
        return 0
    backup = there[-1] if options.backup == LAST and there else Path(options.backup)
    aside = restore(backup, log_path, folder)
    print(f"{backup.name} is brought back as {log_path}.")
    if aside is not None:
        print(f"The log that was there is kept as {aside}; what it knew beyond is in the new one.")
    return 0
