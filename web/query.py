"""What a link asks for: which week, and how to read it."""

import re
from dataclasses import dataclass
from typing import Any

from werkzeug.datastructures import MultiDict
from werkzeug.exceptions import BadRequest

from appliance.log.calendar import CalendarWeek, WeekNameError
from appliance.log.weeks import Reading
from appliance.settings import RoomSettings
from appliance.tuning import TUNINGS

_NUMBER = re.compile(r"\d{1,4}(\.\d{1,3})?", re.ASCII)
BAND_CENTS = (5.0, 30.0)
A4_HZ = (400.0, 480.0)
OPEN_STRINGS = ("apart", "counted")  # notes that may be open strings


@dataclass(frozen=True, slots=True)
class Asked:
    """One week, read one way."""

    week: CalendarWeek
    reading: Reading

    def link(self, week: CalendarWeek | None = None) -> dict[str, Any]:
        """Query parameters that ask for the same again, or for another week the same way."""
        values = {
            "week": str(week or self.week),
            "tuning": self.reading.tuning,
            "band": f"{self.reading.band_cents:g}",
        }
        if self.reading.a4_hz is not None:
            values["a4"] = f"{self.reading.a4_hz:g}"
        if self.reading.count_open:
            values["open"] = OPEN_STRINGS[1]
        return values


def read_query(args: "MultiDict[str, str]", room: RoomSettings, this_week: CalendarWeek) -> Asked:
    """Read ``week``, ``tuning``, ``band`` (cents), ``a4`` (Hz), ``open`` (``apart``, ``counted``).

    What is missing is the room's; notes that may be open strings stay apart.

    Raises BadRequest with one sentence for anything out of range.
    """
    try:
        week = CalendarWeek.parse(args["week"]) if "week" in args else this_week
    except WeekNameError as error:
        raise BadRequest(str(error)) from None
    tuning = args.get("tuning", room.tuning)
    if tuning not in TUNINGS:
        raise BadRequest(f"There is no such tuning: it is one of {', '.join(TUNINGS)}.")
    band_cents = _number(args, "band", BAND_CENTS, "The band is a number of cents")
    a4_hz = _number(args, "a4", A4_HZ, "A4 is a number of hertz") if args.get("a4") else None
    band_cents = room.band_cents if band_cents is None else band_cents
    return Asked(week, Reading(tuning, a4_hz, band_cents, _count_open(args)))


def _count_open(args: "MultiDict[str, str]") -> bool:
    asked = args.get("open", OPEN_STRINGS[0])
    if asked not in OPEN_STRINGS:
        raise BadRequest(f"Open strings are {' or '.join(OPEN_STRINGS)}.")
    return asked == OPEN_STRINGS[1]


def _number(
    args: "MultiDict[str, str]", key: str, allowed: tuple[float, float], what: str
) -> float | None:
    if key not in args:
        return None
    low, high = allowed
    if _NUMBER.fullmatch(args[key]) and low <= float(args[key]) <= high:
        return float(args[key])
    raise BadRequest(f"{what} from {low:g} to {high:g}.")
