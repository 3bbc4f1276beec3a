"""Settings for a room that must open: a file that cannot be read does not silence it.

Whenever the file can be read, a copy of it is kept in the working directory (the service's state
directory). When it cannot, the room goes on with the copy, and says so until the file is put right.
Without a copy it opens with what is built in, and with a soft drone, since nobody knows how loud
this loudspeaker is.
"""

import logging
from dataclasses import replace
from datetime import datetime
from pathlib import Path

from appliance.settings import Settings, load
from appliance.vocabulary import SettingsError

logger = logging.getLogger(__name__)

COPY = Path("settings.last-good.toml")
SOFT_DBFS = -40.0  # 16 dB under the usual level


def load_or_last_good(path: Path, copy: Path = COPY) -> tuple[Settings, str | None]:
    """Return the settings to open with, and a sentence when they are not those of the file."""
    try:
        settings = load(path)
    except SettingsError as error:
        settings, trouble = _fall_back(copy, str(error))
        logger.error("%s", trouble)
        return settings, trouble
    _keep(path, copy)
    return settings, None


def _keep(path: Path, copy: Path) -> None:
    """Keep a copy; a storage that refuses is the log's business to complain of."""
    try:
        content = path.read_bytes()
        if not copy.exists() or copy.read_bytes() != content:
            writing = copy.with_name(copy.name + ".making")
            writing.write_bytes(content)
            writing.replace(copy)
    except OSError as error:
        logger.warning("No copy of %s could be kept in %s (%s).", path, copy, error.strerror)


def _fall_back(copy: Path, wrong: str) -> tuple[Settings, str]:
    try:
        settings = load(copy)
        day = datetime.fromtimestamp(copy.stat().st_mtime).astimezone().strftime("%d %B %Y")
    except (SettingsError, OSError):
        built_in = Settings()
        over_db = built_in.drone.cue_level_dbfs - built_in.drone.level_dbfs
        soft = replace(built_in.drone, level_dbfs=SOFT_DBFS, cue_level_dbfs=SOFT_DBFS + over_db)
        return replace(built_in, drone=soft), (
            f"{wrong}. The room goes on with what is built in and a soft drone: put the file right "
            "and start the room again."
        )
    return settings, (
        f"{wrong}. The room goes on with the settings that it had on {day}: put the file right "
        "and start the room again."
    )
