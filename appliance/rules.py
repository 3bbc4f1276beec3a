"""What a setting may be: ranges of numbers, kinds of text, and how both are said to a person."""

import re
from collections.abc import Callable
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from appliance.instruments import INSTRUMENTS, find_instrument
from appliance.tuning import parse_note
from appliance.vocabulary import InstrumentError, NoteNameError


@dataclass(frozen=True)
class Between:
    """A number's rule: both ends are allowed; nan and inf never are."""

    low: float
    high: float

    def accepts(self, value: object) -> bool:
        """Tell whether the value lies in the range."""
        return isinstance(value, int | float) and self.low <= value <= self.high

    @property
    def allowed(self) -> str:
        """The range in words."""
        return f"from {self.low:g} to {self.high:g}"


@dataclass(frozen=True)
class Text:
    """A text's rule: a test, what it allows in words, and the choices to suggest from, if any."""

    allowed: str
    test: Callable[[str], object]
    choices: tuple[str, ...] = ()

    def accepts(self, value: object) -> bool:
        """Tell whether the value is a text that passes the test."""
        return isinstance(value, str) and bool(self.test(value))


def one_of(choices: tuple[str, ...]) -> Text:
    """Return the rule of a text that must be one of some choices."""
    return Text(f"one of {', '.join(choices)}", choices.__contains__, choices)


def _is_instrument(name: str) -> bool:
    try:
        find_instrument(name)
    except InstrumentError:
        return False
    return True


def _is_time_zone(name: str) -> bool:
    try:
        return name == "" or bool(ZoneInfo(name))
    except (KeyError, ValueError, OSError):  # not found; "../x"; "Europe", which is a directory
        return False


def _is_drone_note(name: str) -> bool:
    try:
        return parse_note("C1") <= parse_note(name) <= parse_note("C7")
    except NoteNameError:
        return False


_ADDRESS = re.compile(r"(https?://[A-Za-z0-9.:\[\]-]+(/[A-Za-z0-9._~/-]*)?)?")

FILLED = Text("text that is not empty", lambda text: bool(text.strip()))
INSTRUMENT = Text(f"one of {', '.join(INSTRUMENTS)}", _is_instrument, tuple(INSTRUMENTS))
TIME_ZONE = Text("an IANA time zone such as Europe/Vienna, or empty", _is_time_zone)
WEB_ADDRESS = Text(
    "an address such as http://room-3.example.org:8080/, or empty", _ADDRESS.fullmatch
)
KEY = Text(
    "a key's name in the kernel, such as KEY_PAGEUP", re.compile(r"(KEY|BTN)_[A-Z0-9_]+").fullmatch
)
DRONE_NOTE = Text("a note from C1 to C7, such as A3, Bb3 or F#4", _is_drone_note)
