"""Notes on five lines, in the clef that was asked for: small drawings for the lesson sheet.

A unit is an eighth of the staff's four spaces: lines lie 8 apart, y runs downwards and is 0 on the
bottom line. Clefs and accidentals are drawn here, so that no font needs to have them.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from appliance.notation import CLEFS, OCTAVE, on_staff, written_for
from web.naming import current, instrument, note_name

STEP, SPACE, TOP = 4.0, 8.0, -32.0
_EM_A_UNIT = 0.1  # so large it stands among the words
_FIRST_X, _APART, _AFTER = 48.0, 34.0, 14.0
_AIR = 7.0  # around what is drawn
_ABOVE = {"treble": -43.0, "alto": TOP, "tenor": -40.0, "bass": TOP}  # how far a clef reaches
_BELOW = {"treble": 13.0, "alto": 0.0, "tenor": 0.0, "bass": 0.0}
_OCTAVE_SIGN = 10.0  # the figure below a clef that sounds an octave lower


@dataclass(frozen=True, slots=True)
class Sign:
    """A sign to draw: ``lines`` are stroked paths, ``filled`` is a filled one, moved by ``at``."""

    lines: str
    filled: str
    at: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Head:
    """One note: where its head is, the short lines through or beside it, its accidentals."""

    x: float
    y: float
    ledger: str
    accidentals: tuple[Sign, ...]


@dataclass(frozen=True, slots=True)
class Staff:
    """A drawing, its box in units and in em, and what it shows in words."""

    words: str
    box: str
    size_em: tuple[float, float]
    lines: str
    clef: Sign
    octave_below: tuple[float, float] | None  # where the figure 8 stands
    heads: tuple[Head, ...]


def _dot(x: float, y: float, radius: float) -> str:
    half = f"a{radius:g} {radius:g} 0 1 0"
    return f"M{x - radius:g} {y:g}{half} {2 * radius:g} 0{half} {-2 * radius:g} 0z"


# On the C of an alto or tenor clef, y is 0 in the middle of it.
_C_CLEF = Sign(
    "M7.6 -16V16M8 0L11.4 -4C12.8 -1.2 19.4 -1.2 19.4 -8.6C19.4 -13.6 16.6 -16 13.8 -16C11.4 -16 "
    "10.4 -14.6 10.4 -13M8 0L11.4 4C12.8 1.2 19.4 1.2 19.4 8.6C19.4 13.6 16.6 16 13.8 16C11.4 16 "
    "10.4 14.6 10.4 13",
    "M2 -16H5.2V16H2Z" + _dot(11.6, -12.6, 1.5) + _dot(11.6, 12.6, 1.5),
)
_CLEF_SIGNS = {
    "treble": Sign(
        "M12.5 -4.5C9.5 -4.5 8.5 -8 10.5 -10C13 -12.6 18 -11 18 -6.5C18 -2 14 .6 10.5 .6"
        "C5.5 .6 2.5 -3 2.5 -7.5C2.5 -13.5 7 -17.5 11 -22C14.5 -26 16 -30 15.3 -35"
        "C15 -38 13.8 -39.8 12.8 -39.8C10 -39.8 8.8 -33 9.3 -29L13 5C13.6 9.5 11.5 12 8.8 12"
        "C6.5 12 5 10.5 5 8.8",
        _dot(6.8, 8.6, 1.9),
    ),
    "alto": Sign(_C_CLEF.lines, _C_CLEF.filled, (0.0, -16.0)),
    "tenor": Sign(_C_CLEF.lines, _C_CLEF.filled, (0.0, -24.0)),
    "bass": Sign(
        "M4 -24C4 -29.5 7.5 -31.6 11 -31.6C16 -31.6 18.5 -28.4 18.5 -24C18.5 -15.5 11 -8.5 3 -5.5",
        _dot(5.2, -24.0, 2.3) + _dot(22.8, -28.0, 1.4) + _dot(22.8, -20.0, 1.4),
    ),
}
_SHARP = ("M-2 -9.5V10.5M2 -10.5V9.5M-4.4 -2.2L4.4 -4.8M-4.4 4.8L4.4 2.2", "")
_FLAT = ("M-3 -13V5C1 2.6 3.6 .4 3.6 -2C3.6 -5.4 -.6 -5 -3 -1.8", "")
_TWO_SHARPS = ("M-3.4 -3.4L3.4 3.4M-3.4 3.4L3.4 -3.4", "")
# Number of sharps -> the signs from the note leftwards, each with how far its middle lies.
_ACCIDENTALS = {
    0: (),
    1: ((_SHARP, 12.0),),
    2: ((_TWO_SHARPS, 12.0),),
    -1: ((_FLAT, 11.0),),
    -2: ((_FLAT, 11.0), (_FLAT, 18.0)),
}


def draw_staff(notes: Sequence[int], clef: str) -> Staff:
    """Draw sounding notes (MIDI) one after the other, as this page writes them.

    What is mostly written an octave above its sound stands so under a clef that says it, unless the
    page writes it so by itself.
    """
    assert clef in CLEFS
    octave = current().written == (0, 0) and written_for(instrument()) == OCTAVE
    heads = tuple(
        _head(midi + (12 if octave else 0), clef, _FIRST_X + _APART * place)
        for place, midi in enumerate(notes)
    )
    width = _FIRST_X + _APART * (len(notes) - 1) + _AFTER
    below = _BELOW[clef] + (_OCTAVE_SIGN if octave else 0.0)
    top = min(_ABOVE[clef], *(head.y - STEP for head in heads)) - _AIR
    bottom = max(below, *(head.y + STEP for head in heads)) + _AIR
    named = ", then ".join(map(note_name, notes))
    return Staff(
        words=f"{named} in {clef} clef{', an octave lower than written' if octave else ''}",
        box=f"0 {top:g} {width:g} {bottom - top:g}",
        size_em=(_EM_A_UNIT * width, _EM_A_UNIT * (bottom - top)),
        lines="".join(f"M0 {-SPACE * line:g}H{width:g}" for line in range(5)),
        clef=_CLEF_SIGNS[clef],
        octave_below=(11.0, below + 1.0) if octave else None,
        heads=heads,
    )


def _head(midi: int, clef: str, x: float) -> Head:
    place = on_staff(current().spelled(midi), clef)
    y = -STEP * place.step
    return Head(
        x=x,
        y=y,
        ledger="".join(f"M{x - 9:g} {-STEP * step:g}h18" for step in place.ledger_lines),
        accidentals=tuple(Sign(*sign, (x - left, y)) for sign, left in _ACCIDENTALS[place.sharps]),
    )
