"""Note names, cents and targets: pure arithmetic that every room may read.

Pitch is in Hz, intervals in cents (1200 to the octave), notes in MIDI numbers (A4 = 69) named in
scientific pitch at concert pitch. ISO 16:1975 sets A4 = 440 Hz; a room may choose another.
"""

import itertools
import math
import re
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from typing import overload

import numpy as np
from numpy.typing import NDArray

from appliance.instruments import Instrument
from appliance.vocabulary import Call, HeardNote, InstrumentError, NoteNameError, Outcome

ISO_16_A4_HZ = 440.0
A4_MIDI = 69
CENTS_PER_OCTAVE = 1200.0
TUNINGS = ("just", "pythagorean", "equal")
SPAN_EDGES = ("nearer", "low", "high")  # of a span, the edge from which an error counts
UNGRADED_CENTS = 3.0  # smaller errors are not given a side: nobody plays, or hears, finer than that
CALLED_FROM_CENTS = 5.0  # from here on a landing may be called flat or sharp

_LETTERS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_NAMES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
_NOTE = re.compile(r"([A-Ga-g])([#♯]{0,2}|[b♭]{0,2})(-1|[0-9])")


def _ratios(text: str) -> tuple[Fraction, ...]:
    return tuple(Fraction(word) for word in text.split())


# Twelve degrees over the tonic. 5-limit just intonation: the list in common use.
_JUST = _ratios("1 16/15 9/8 6/5 5/4 4/3 45/32 3/2 8/5 5/3 9/5 15/8")
# Pure fifths: five below the tonic, six above.
_PYTHAGOREAN = _ratios("1 256/243 9/8 32/27 81/64 4/3 729/512 3/2 128/81 27/16 16/9 243/128")
# Degrees without a beat-free pitch: the second just or Pythagorean form that is as right.
_OTHER_EDGE = {
    1: Fraction(256, 243),
    2: Fraction(10, 9),
    6: Fraction(729, 512),
    10: Fraction(16, 9),
    11: Fraction(243, 128),
}
_LEADING_NOTE = 11

UNSURE_CENTS = (35.0, 65.0)  # between two semitones nobody can say which note was meant


@dataclass(frozen=True, slots=True)
class Target:
    """Where a note is right: one pitch (``low_hz == high_hz``), or the span between two.

    ``unsure`` is true when the settled pitch it was chosen from lay 35 to 65 cents between two
    semitones, so that nobody can say which note was meant.
    """

    midi: int
    low_hz: float
    high_hz: float
    unsure: bool = False

    @property
    def name(self) -> str:
        """Scientific pitch name, such as ``F#4``."""
        return note_name(self.midi)


@overload
def cents(hz: float, reference_hz: float) -> float: ...
@overload
def cents(
    hz: NDArray[np.floating], reference_hz: float | NDArray[np.floating]
) -> NDArray[np.float64]: ...
def cents(
    hz: float | NDArray[np.floating], reference_hz: float | NDArray[np.floating]
) -> float | NDArray[np.float64]:
    """Return the interval from ``reference_hz`` up to ``hz`` in cents: 1200 · log2(hz / ref).

    Floats give a float, arrays an array of the broadcast shape. Both in Hz, above zero.
    """
    interval = CENTS_PER_OCTAVE * np.log2(np.asarray(hz, np.float64) / reference_hz)
    return float(interval) if interval.ndim == 0 else interval


def off_octave(interval_cents: float | NDArray[np.float64]) -> NDArray[np.float64]:
    """Return how far an interval is from the nearest whole octave, -600 to 600 cents."""
    half = CENTS_PER_OCTAVE / 2
    return np.asarray((interval_cents + half) % CENTS_PER_OCTAVE - half)


def parse_note(name: str) -> int:
    """Return the MIDI number of a note such as ``Bb3``, ``F#4`` or ``C♯2`` (C4 = 60, A4 = 69).

    Raises NoteNameError for anything else, and for notes outside MIDI's 0 to 127.
    """
    match = _NOTE.fullmatch(name.strip())
    if match:
        letter, accidentals, octave = match.groups()
        sign = 1 if accidentals[:1] in ("#", "♯") else -1
        midi = 12 * (int(octave) + 1) + _LETTERS[letter.upper()] + sign * len(accidentals)
        if 0 <= midi <= 127:
            return midi
    raise NoteNameError(
        f"{name!r} is no note name: write a letter from A to G, # or b if needed, and an octave "
        "from -1 to 9, such as A3, Bb3 or F#4"
    )


def note_name(midi: int) -> str:
    """Return the scientific pitch name of a MIDI number, with sharps: 66 is ``F#4``."""
    return f"{_NAMES[midi % 12]}{midi // 12 - 1}"


def pitch_class_name(pitch_class: int) -> str:
    """Return the name of a pitch class (C = 0), with sharps: 6 is ``F#``."""
    return _NAMES[pitch_class % 12]


def note_hz(midi: float, a4_hz: float = ISO_16_A4_HZ) -> float:
    """Return the equal-tempered frequency of a MIDI number in Hz."""
    return float(a4_hz * 2.0 ** ((midi - A4_MIDI) / 12.0))


def midi_of(hz: float, a4_hz: float = ISO_16_A4_HZ) -> float:
    """Return the fractional MIDI number of a frequency in Hz (above zero)."""
    return A4_MIDI + 12.0 * math.log2(hz / a4_hz)


def nearest_note(hz: float, a4_hz: float = ISO_16_A4_HZ) -> int:
    """Return the MIDI number of the nearest equal-tempered semitone; a tie goes up."""
    return math.floor(midi_of(hz, a4_hz) + 0.5)


def unsure(settled_hz: float, a4_hz: float = ISO_16_A4_HZ) -> bool:
    """Tell whether a pitch lies 35 to 65 cents between two semitones."""
    low, high = UNSURE_CENTS
    return low <= 100.0 * (midi_of(settled_hz, a4_hz) % 1.0) <= high


def target(
    settled_hz: float,
    *,
    a4_hz: float,
    reference_hz: float | None = None,
    tuning: str = "just",
    tonic_pc: int | None = None,
) -> Target:
    """Return the target of a note that settled at ``settled_hz`` (Hz).

    The note is the semitone nearest the settled pitch on the equal grid of ``a4_hz``. Its degree
    is counted on that grid, too, so that name and degree never disagree; the pitch of the degree is
    a ratio over the tonic, in the octave nearest to the settled pitch. The tonic is the drone
    (``reference_hz``, which keeps its own Hz even off the grid), unless ``tonic_pc`` (pitch class,
    C = 0) names another: then the tonic is placed so that the drone is its degree. Without a drone
    the tonic is taken from the grid; with neither drone nor tonic only equal temperament is left.

    ``tuning`` is one of TUNINGS. Raises ValueError for another.
    """
    if tuning not in TUNINGS:
        raise ValueError(f"tuning must be one of {', '.join(TUNINGS)}, not {tuning!r}")
    midi = nearest_note(settled_hz, a4_hz)
    doubt = unsure(settled_hz, a4_hz)
    if tuning == "equal" or (reference_hz is None and tonic_pc is None):
        hz = note_hz(midi, a4_hz)
        return Target(midi, hz, hz, doubt)
    ratios = _JUST if tuning == "just" else _PYTHAGOREAN
    tonic_midi, tonic_hz, drone_degree = _tonic(a4_hz, reference_hz, tonic_pc, ratios)
    degree = (midi - tonic_midi) % 12
    edges = [ratios[degree]]
    if tuning == "just" and _is_span(degree, drone_degree):
        edges.append(_OTHER_EDGE[degree])
    low_hz, high_hz = (
        _nearest_octave(float(ratio) * tonic_hz, settled_hz) for ratio in (min(edges), max(edges))
    )
    return Target(midi, low_hz, high_hz, doubt)


def _tonic(
    a4_hz: float, reference_hz: float | None, tonic_pc: int | None, ratios: tuple[Fraction, ...]
) -> tuple[int, float, int]:
    """Return the tonic's MIDI number (of any octave), its Hz, and the drone's degree over it."""
    if reference_hz is None:
        tonic_midi = 60 + (tonic_pc or 0)
        return tonic_midi, note_hz(tonic_midi, a4_hz), 0
    drone_midi = nearest_note(reference_hz, a4_hz)
    drone_degree = 0 if tonic_pc is None else (drone_midi - tonic_pc) % 12
    return drone_midi - drone_degree, reference_hz / float(ratios[drone_degree]), drone_degree


def _is_span(degree: int, drone_degree: int) -> bool:
    """Tell whether neither the tonic nor the drone gives this degree a beat-free pitch.

    The leading note is a span even where the drone makes it a major third.
    """
    to_drone = (degree - drone_degree) % 12
    return degree == _LEADING_NOTE or (degree in _OTHER_EDGE and to_drone in _OTHER_EDGE)


def _nearest_octave(hz: float, near_hz: float) -> float:
    return float(hz * 2.0 ** round(math.log2(near_hz / hz)))


def narrowed(aim: Target, span_edge: str) -> Target:
    """Return a target of one pitch, the ``low`` or ``high`` edge of its span; ``nearer`` keeps it.

    Raises ValueError for anything but one of SPAN_EDGES.
    """
    if span_edge not in SPAN_EDGES:
        raise ValueError(f"span_edge must be one of {', '.join(SPAN_EDGES)}, not {span_edge!r}")
    if span_edge == "nearer":
        return aim
    hz = aim.low_hz if span_edge == "low" else aim.high_hz
    return Target(aim.midi, hz, hz, aim.unsure)


def error_cents(hz: float, target: Target) -> float:
    """Return how far ``hz`` (Hz) is from a target, sharp positive; 0 anywhere inside a span."""
    if hz < target.low_hz:
        return cents(hz, target.low_hz)
    if hz > target.high_hz:
        return cents(hz, target.high_hz)
    return 0.0


def outcome(note: HeardNote, target: Target, band_cents: float) -> Outcome:
    """Say what became of a note: the landing decides first, then the settled pitch.

    A note that landed and drifted off later has landed. The band's edges belong to the band.
    """
    if not note.measurable or note.landing_hz is None or note.settled_hz is None:
        return Outcome.NOT_MEASURABLE
    if target.unsure:
        return Outcome.UNSURE
    if abs(error_cents(note.landing_hz, target)) <= band_cents:
        return Outcome.LANDED
    if abs(error_cents(note.settled_hz, target)) <= band_cents:
        return Outcome.RESCUED
    return Outcome.MISSED


def accepted_calls(landing_cents: float, band_cents: float) -> frozenset[Call]:
    """Return the calls that are right for a landing so far off its target (sharp positive).

    *In tune* is right inside the band, *flat* or *sharp* from 5 cents to that side on; between
    5 cents and the band's edge both are.
    """
    right = {Call.IN_TUNE} if abs(landing_cents) <= band_cents else set()
    if abs(landing_cents) >= CALLED_FROM_CENTS:
        right.add(Call.SHARP if landing_cents > 0 else Call.FLAT)
    return frozenset(right)


def open_string_hz(instrument: Instrument, string: int, a4_hz: float = ISO_16_A4_HZ) -> float:
    """Return where an open string is right, in Hz: pure fifths and fourths from the A string.

    ``string`` is one of ``instrument.strings`` (MIDI). The A string is whole octaves from A4; the
    neighbours are tuned to it by ear, pure 3:2 where they lie a fifth apart (violin, viola, cello)
    and pure 4:3 where a fourth (double bass). Raises InstrumentError when it is no open string.
    """
    if string not in instrument.strings:
        names = ", ".join(note_name(midi) for midi in instrument.strings) or "none"
        raise InstrumentError(
            f"{note_name(string)} is no open string of the {instrument.name}: it has {names}"
        )
    a_string = next(midi for midi in instrument.strings if midi % 12 == A4_MIDI % 12)
    low, high = sorted((string, a_string))
    between = [midi for midi in instrument.strings if low <= midi <= high]
    interval = math.prod(_JUST[upper - lower] for lower, upper in itertools.pairwise(between))
    return note_hz(a_string, a4_hz) * float(interval if string > a_string else 1 / interval)


@cache
def pure_ratio(semitones: int) -> Fraction | None:
    """Return the 5-limit ratio of an interval so many semitones up (negative: down).

    ``None`` for seconds, tritones and sevenths: there the ear has no beat-free pitch.
    """
    octaves, degree = divmod(semitones, 12)
    return None if degree in _OTHER_EDGE else _JUST[degree] * Fraction(2) ** octaves


def beat_hz(played_hz: float, drone_hz: float, interval: Fraction) -> float:
    """Return how fast the first pair of partials that ``interval`` makes coincide beats, in Hz.

    At a pure n:d above the drone, partial d of the note meets partial n of the drone; off pure they
    beat at the difference |d · played - n · drone| (harmonic partials; arithmetic).
    """
    return abs(interval.denominator * played_hz - interval.numerator * drone_hz)
