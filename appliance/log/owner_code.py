"""The one-time code that makes somebody the owner of a room, in a file beside the log.

Whoever can read the file has a shell on the machine; nothing else makes an owner. The code is gone
once it was used.
"""

import hmac
import secrets
from contextlib import suppress
from pathlib import Path

from appliance.log.people import PeopleReader
from appliance.log.secret_file import read_or_make
from appliance.vocabulary import GroundnoteError, LogbookError

# Capital letters and digits that nobody takes for each other; 12 of them are 59 bits.
_ALPHABET = "ABCDEFGHJKMNPQRSTUVWXYZ23456789"
_GROUPS, _GROUP = 3, 4


class OwnerCodeError(GroundnoteError):
    """The file with the owner code can be neither read nor made."""


def code_path(log_path: Path) -> Path:
    """Return where the code of a room with this log stands."""
    return log_path.with_suffix(".owner-code")


def owner_code(log_path: Path) -> str:
    """Return the code that waits to be used; makes one where there is none.

    Raises :class:`OwnerCodeError` when it can be neither read nor made.
    """
    path = code_path(log_path)
    try:
        return read_or_make(path, lambda: draw_code().encode()).decode()
    except OSError as error:
        raise OwnerCodeError(
            f"The owner code {path} can be neither read nor made ({error.strerror}): run this as "
            "the user of the service, or with sudo."
        ) from error


def forget(log_path: Path) -> None:
    """Let the code that waits be void."""
    code_path(log_path).unlink(missing_ok=True)


def take(log_path: Path, typed: str) -> bool:
    """Use up the code; false when it is another, or was used already."""
    path = code_path(log_path)
    try:
        waiting = plain_code(path.read_text())
        if not waiting or not hmac.compare_digest(waiting.encode(), plain_code(typed).encode()):
            return False
        path.unlink()  # of two at the same instant one finds nothing here
    except FileNotFoundError:
        return False
    return True


def plain_code(code: str) -> str:
    """Return a code without what people put between its letters."""
    return "".join(character for character in code.upper() if character.isalnum())


def draw_code() -> str:
    """Draw a code such as ``K7QM-2XWD-9RFA``."""
    drawn = [secrets.choice(_ALPHABET) for _ in range(_GROUPS * _GROUP)]
    return "-".join("".join(drawn[i : i + _GROUP]) for i in range(0, len(drawn), _GROUP))


def waiting(log_path: Path) -> str | None:
    """Return what to tell at the start of a room that nobody owns yet; nothing once somebody does.

    Raises :class:`OwnerCodeError` when the code can be neither read nor made.
    """
    with suppress(LogbookError), PeopleReader(log_path) as people:  # of a log, others tell
        if people.has_owner():
            return None
    code = owner_code(log_path)
    return f"Nobody owns this room yet. Owner code, to be typed once at /owner: {code}"
