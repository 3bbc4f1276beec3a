"""How the page that is being made names notes: in its key, its language, sounding or written.

The naming is kept with the request, so that every word of one page follows the same switches.
"""

from collections import Counter
from collections.abc import Sequence
from typing import Any, TypeVar

from flask import Flask, g, has_app_context

from appliance.log.weeks import Landing
from appliance.notation import (
    SHARPS_ONLY,
    TONICS,
    TRANSPOSITIONS,
    Naming,
    clef_of,
    tonic_of_drone,
    written_for,
)
from web.query import SWITCHES, Asked, Manner

_T = TypeVar("_T")

KEY_NAMES = {"drone": "as each drone", **{name: name.replace("b", "♭") for name in TONICS}}
EDGE_NAMES = {
    "nearer": "the nearer of the two",
    "low": "the lower one",
    "high": "the higher one",
}
LANGUAGE_NAMES = {
    "english": "English: B♭, B, F♯",
    "german": "German: B, H, Fis",
    "solfege": "Fixed do: Si♭, Si, Fa♯",
}
PITCH_NAMES = {
    "concert": "as it sounds (concert pitch)",
    "written": "as this instrument's part is written",
    "in-Bb": "written for an instrument in B♭",
    "in-A": "written for an instrument in A",
    "in-F": "written for an instrument in F",
    "in-Eb": "written for an alto in E♭",
    "octave": "written an octave higher",
}
CLEF_NAMES = {
    "usual": "the instrument's own",
    **{clef: clef for clef in ("treble", "alto", "tenor", "bass")},
}


def register(app: Flask) -> None:
    """Give the templates of ``app`` these names."""
    app.jinja_env.filters.update(
        note_name=note_name, pitch_class_name=pitch_class_name, named_as=named_as
    )
    app.jinja_env.globals.update(SWITCHES=SWITCHES)


def follow(asked: Asked, landings: Sequence[Landing], room_instrument: str) -> None:
    """Name notes on the page being made as it was asked for.

    Without a key it is spelled around the drone that most of the landings had; written pitch and
    clef are those of the instrument that most of them were played on, or else of the room's.
    """
    g.handed_on = asked.link()
    g.instrument = _commonest([found.sitting.instrument for found in landings], room_instrument)
    g.naming = Naming(
        tonic_fifths=_tonic(asked.manner, landings),
        language=asked.manner.names,
        written=TRANSPOSITIONS.get(asked.manner.pitch)
        or (written_for(g.instrument) if asked.manner.pitch == "written" else (0, 0)),
    )


def followed() -> bool:
    """Tell whether the page being made already names notes in a way of its own."""
    return "naming" in g


def instrument() -> str:
    """Return the instrument that the page being made is about."""
    return str(g.instrument)


def handed_on() -> dict[str, Any]:
    """Return the query that asks another page for the same week, read and written the same way."""
    values: dict[str, Any] = g.get("handed_on", {})
    return values


def current() -> Naming:
    """Return how the page being made names notes; elsewhere the names of the log."""
    found = g.get("naming") if has_app_context() else None
    return found if isinstance(found, Naming) else Naming()


def clef(asked: Asked) -> str:
    """Return the clef that was asked for, or that of the instrument of this page."""
    return clef_of(g.instrument) if asked.manner.clef == "usual" else asked.manner.clef


def note_name(midi: int) -> str:
    """Name a note, such as ``F#4``."""
    return current().note(midi)


def move_name(from_midi: int, to_midi: int) -> str:
    """Name an arrival, such as ``B3→G4``."""
    return current().move(from_midi, to_midi)


def pitch_class_name(pitch_class: int) -> str:
    """Name a pitch class (C = 0), such as ``F#``."""
    return current().pitch_class(pitch_class)


def written_as(asked: Asked) -> str:
    """Say how this page writes its notes, where that is not as usual; else nothing."""
    manner, parts = asked.manner, []
    if manner.key != "drone":
        parts.append(f"key of {KEY_NAMES[manner.key]}")
    if asked.reading.span_edge != "nearer":
        parts.append(f"{EDGE_NAMES[asked.reading.span_edge]} where two pitches are right")
    if manner.pitch == "written":
        parts.append(f"written for {g.instrument.replace('-', ' ')}")
    elif manner.pitch != "concert":
        parts.append(PITCH_NAMES[manner.pitch])
    said = ", ".join(parts)
    return f"{said[0].upper()}{said[1:]}." if said else ""


def named_as(asked: Asked) -> str:
    """Say how this page names notes, where it says nothing else of them."""
    language = LANGUAGE_NAMES[asked.manner.names].split(":")[0]
    return f"Note names: {language}, {PITCH_NAMES[asked.manner.pitch]}."


def _tonic(manner: Manner, landings: Sequence[Landing]) -> int:
    if manner.key != "drone":
        return TONICS[manner.key]
    drones = [found.drone_midi % 12 for found in landings if found.drone_midi is not None]
    if not drones:
        return SHARPS_ONLY
    return tonic_of_drone(_commonest(drones, 0))


def _commonest(found: Sequence[_T], otherwise: _T) -> _T:
    return Counter(found).most_common(1)[0][0] if found else otherwise
