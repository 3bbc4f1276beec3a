"""``groundnote calibrate``: how loud the room is at the player's ear, with a sound level meter.

``loudspeaker`` plays a noise as loud as the drone, ``player`` listens to somebody who plays. Either
asks what the meter shows and works out the one number that the day's listening needs.
"""

import argparse
import os
import re
import tempfile
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from appliance.checking.program import LONGEST_S
from appliance.checkup import Checkup, Lent
from appliance.control import NoRoomError, add_socket, ask, socket_of_running_room
from appliance.settings import Settings, load
from appliance.vocabulary import DeviceError, SettingsError

LEAST_DBA, MOST_DBA = 30.0, 120.0  # what a meter can show here; anything else is a slip
LEAST_PLAYED_DBFS = -45.0  # players come with about -26; softer, nobody plays
KEYS = {"loudspeaker": "full_scale_dba", "player": "player_full_scale_dba"}
_SAID = {
    "loudspeaker": (
        "A noise as loud as the drone now sounds for 20 seconds. Hold a sound level meter, set to "
        "A and slow, where the player's ear will be, and read it."
    ),
    "player": (
        "Somebody now plays for 20 seconds, as loud as usual, without a rest. Hold a sound level "
        "meter, set to A and LAeq or slow, beside the player's ear, and read it at the end."
    ),
}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add what ``calibrate`` can be told."""
    parser.add_argument("what", choices=tuple(KEYS), help="what the meter listens to")
    parser.add_argument("--settings", type=Path, metavar="FILE", help="a TOML file, to be changed")
    parser.add_argument("--dba", metavar="DBA", help="what the meter shows, if it is known already")
    add_socket(parser)


def run(options: argparse.Namespace) -> int:
    """Sound or listen, ask, and write the number into the settings file, or print it."""
    settings = load(options.settings) if options.settings else Settings()
    print(_SAID[options.what], flush=True)
    level_db = _level(settings, options.what, options.socket or socket_of_running_room())
    shown = options.dba if options.dba is not None else input("What did it show, in dBA? ")
    value = round(_dba(shown) - level_db, 1)
    line = f"{KEYS[options.what]} = {value}"
    if options.settings is None:
        print(f"Write this into the settings file, and start the room again:\n\n[loudness]\n{line}")
        return 0
    change(options.settings, "loudness", KEYS[options.what], str(value))
    print(f"{line} is written into {options.settings}: start the room again.")
    return 0


def _level(settings: Settings, what: str, socket: Path) -> float:
    """Return the level as sent or recorded, dB re full scale; a running room does it itself.

    Raises :class:`DeviceError` where nobody plays who should.
    """
    try:
        answer = ask(socket, {"do": "calibrate", "what": what}, timeout_s=LONGEST_S)
        level_db = float(answer["level_db"])
    except NoRoomError:
        level_db = _here(settings, what)
    if what == "player" and level_db < LEAST_PLAYED_DBFS:
        raise DeviceError(
            "The microphone hears hardly anything: play louder, or turn its input up, run "
            "'groundnote check', and then this again."
        )
    return level_db


def _here(settings: Settings, what: str) -> float:
    """Do it with devices opened here: no room runs."""

    def here(work: Callable[[], Lent]) -> Lent:
        return work()

    checkup = Checkup(settings, here, Path(settings.room.log_path))
    return checkup.level_db(what == "loudspeaker", lambda: None)


def _dba(shown: str) -> float:
    """Read what a person typed; raises SettingsError."""
    try:
        value = float(shown.strip().removesuffix("dBA").strip().replace(",", "."))
    except ValueError:
        value = 0.0
    if not LEAST_DBA <= value <= MOST_DBA:
        raise SettingsError(
            f"The meter shows a number from {LEAST_DBA:.0f} to {MOST_DBA:.0f} dBA, not {shown!r}: "
            "run this again."
        )
    return value


def change(file: Path, table: str, key: str, value: str) -> None:
    """Set one key of a settings file and leave all else of it as it is.

    The new file takes the old one's place only when it can be read as settings. Raises
    SettingsError where it cannot, or cannot be written.
    """
    try:
        changed = with_key(file.read_text(encoding="utf-8"), table, key, value)
        with tempfile.NamedTemporaryFile("w", dir=file.parent, delete=False) as new:
            new.write(changed)
        try:
            load(Path(new.name))
            _like(Path(new.name), file)
            Path(new.name).replace(file)
        finally:
            Path(new.name).unlink(missing_ok=True)
    except OSError as error:
        raise SettingsError(
            f"{file} cannot be changed ({error.strerror}): write {key} = {value} below [{table}] "
            "yourself, or run this with sudo."
        ) from error


def _like(new: Path, old: Path) -> None:
    """Give a new file the mode and, where allowed, the owner of an old one."""
    of_old = old.stat()
    new.chmod(of_old.st_mode)
    with suppress(PermissionError):
        os.chown(new, of_old.st_uid, of_old.st_gid)


def with_key(text: str, table: str, key: str, value: str) -> str:
    """Return a TOML text with one key of one table set."""
    lines = text.splitlines()
    heads = [number for number, line in enumerate(lines) if line.strip().startswith("[")]
    head = next((n for n in heads if lines[n].split("#")[0].strip() == f"[{table}]"), None)
    if head is None:
        return "\n".join([*lines, "", f"[{table}]", f"{key} = {value}", ""])
    end = next((n for n in heads if n > head), len(lines))
    for number in range(head + 1, end):
        if re.match(rf"\s*{key}\s*=", lines[number]):
            comment = lines[number].partition("#")[2]
            lines[number] = f"{key} = {value}" + (f"  #{comment}" if comment else "")
            break
    else:
        lines.insert(head + 1, f"{key} = {value}")
    return "\n".join([*lines, ""])
