"""A small file beside the log that its owner alone can read, and that is made once."""

import os
import secrets
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path


def read_or_make(path: Path, make: Callable[[], bytes]) -> bytes:
    """Return what is in a file; where there is none, it is made, whole or not at all.

    It belongs to whoever owns the folder, so that a file made with sudo can be read by the service.
    Raises OSError.
    """
    with suppress(FileNotFoundError):
        return path.read_bytes()
    draft = path.with_name(f"{path.name}.{secrets.token_hex(4)}")
    file = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    try:
        with os.fdopen(file, "wb") as new:
            new.write(make())
            new.flush()
            os.fsync(new.fileno())
        if os.geteuid() == 0:
            folder = path.parent.stat()
            os.chown(draft, folder.st_uid, folder.st_gid)
        with suppress(FileExistsError):  # somebody else was faster: theirs counts
            os.link(draft, path)
    finally:
        draft.unlink(missing_ok=True)
    return path.read_bytes()
