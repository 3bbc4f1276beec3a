"""What a link asks for: which week, how to read it, and how to write its notes."""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from werkzeug.datastructures import MultiDict
from werkzeug.exceptions import BadRequest

from appliance.log.calendar import CalendarWeek, WeekNameError
from appliance.log.weeks import Reading
from appliance.notation import CLEFS, LANGUAGES, TONICS, TRANSPOSITIONS, tonic_pitch_class
from appliance.settings import RoomSettings
from appliance.tuning import SPAN_EDGES, TUNINGS

_NUMBER = re.compile(r"\d{1,4}(\.\d{1,3})?", re.ASCII)
BAND_CENTS = (5.0, 30.0)
A4_HZ = (400.0, 480.0)
OPEN_STRINGS = ("apart", "counted")  # notes that may be open strings
KEYS = ("drone", *TONICS)  # drone: each drone is its own tonic
PITCHES = ("concert", "written", *TRANSPOSITIONS)  # written: as the instrument's part is
CLEF_CHOICES = ("usual", *CLEFS)  # usual: the instrument's
ORDERS = ("trouble", "count", "pitch")
# What the switches of a page change, in the order in which they stand there.
SWITCHES = ("tuning", "key", "edge", "band", "a4", "open", "names", "pitch", "clef")
NAMING = ("key", "names", "pitch", "clef")  # those of a page that names notes and judges none


@dataclass(frozen=True, slots=True)
class Manner:
    """How notes are written and sorted; each is one of the choices above."""

    key: str = "drone"
    pitch: str = "concert"
    names: str = LANGUAGES[0]
    clef: str = "usual"
    sort: str = ORDERS[0]


@dataclass(frozen=True, slots=True)
class Asked:
    """One week, read one way and written one way.

    ``band_asked``: the link says the band; otherwise it is that of the week's focus, or the room's,
    and stays out of links, so that every week goes on being read with its own.
    """

    week: CalendarWeek
    reading: Reading
    manner: Manner = Manner()
    band_asked: bool = False

    def link(self, week: CalendarWeek | None = None, **changes: str) -> dict[str, Any]:
        """Query parameters that ask for the same again, or for another week the same way.

        ``changes`` replace parameters. What is as usual is left out, so that links stay short.
        """
        reading = self.reading
        values = {"week": str(week or self.week), "tuning": reading.tuning}
        if self.band_asked:
            values["band"] = f"{reading.band_cents:g}"
        if reading.a4_hz is not None:
            values["a4"] = f"{reading.a4_hz:g}"
        if reading.count_open:
            values["open"] = OPEN_STRINGS[1]
        if reading.span_edge != SPAN_EDGES[0]:
            values["edge"] = reading.span_edge
        usual = Manner()
        for name in Manner.__slots__:
            if (value := getattr(self.manner, name)) != getattr(usual, name):
                values[name] = value
        return values | changes

    def switches(self) -> dict[str, Any]:
        """Query parameters that read and write any week the same way."""
        return {key: value for key, value in self.link().items() if key != "week"}


def read_query(args: "MultiDict[str, str]", room: RoomSettings, this_week: CalendarWeek) -> Asked:
    """Read ``week``, ``tuning``, ``band`` (cents), ``a4`` (Hz), ``open``, ``edge`` and the manner.

    What is missing, or a number left empty, is the room's, or as usual. Raises BadRequest with one
    sentence for anything that is none of the choices, or out of range.
    """
    try:
        week = CalendarWeek.parse(args["week"]) if "week" in args else this_week
    except WeekNameError as error:
        raise BadRequest(str(error)) from None
    manner = _manner(args)
    tuning = args.get("tuning", room.tuning)
    if tuning not in TUNINGS:
        raise BadRequest(f"There is no such tuning: it is one of {', '.join(TUNINGS)}.")
    band_cents = _number(args, "band", BAND_CENTS, "The band is a number of cents")
    a4_hz = _number(args, "a4", A4_HZ, "A4 is a number of hertz")
    reading = Reading(
        tuning=tuning,
        a4_hz=a4_hz,
        band_cents=room.band_cents if band_cents is None else band_cents,
        count_open=_choice(args, "open", OPEN_STRINGS, "Open strings are") == OPEN_STRINGS[1],
        tonic_pc=None if manner.key == KEYS[0] else tonic_pitch_class(manner.key),
        span_edge=_choice(args, "edge", SPAN_EDGES, "Where two pitches are right, count from"),
    )
    return Asked(week, reading, manner, band_cents is not None)


def _manner(args: "MultiDict[str, str]") -> Manner:
    return replace(
        Manner(),
        key=_choice(args, "key", KEYS, "The key is"),
        pitch=_choice(args, "pitch", PITCHES, "The pitch is"),
        names=_choice(args, "names", LANGUAGES, "Note names are"),
        clef=_choice(args, "clef", CLEF_CHOICES, "The clef is"),
        sort=_choice(args, "sort", ORDERS, "Sort by"),
    )


def _choice(args: "MultiDict[str, str]", key: str, choices: Sequence[str], what: str) -> str:
    """Return one of the choices; the first where nothing is asked for."""
    asked = args.get(key, choices[0])
    if asked not in choices:
        raise BadRequest(f"{what} {', '.join(choices[:-1])} or {choices[-1]}.")
    return asked


def _number(
    args: "MultiDict[str, str]", key: str, allowed: tuple[float, float], what: str
) -> float | None:
    if not args.get(key):
        return None
    low, high = allowed
    if _NUMBER.fullmatch(args[key]) and low <= float(args[key]) <= high:
        return float(args[key])
    raise BadRequest(f"{what} from {low:g} to {high:g}.")
