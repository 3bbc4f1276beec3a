"""``groundnote listen``: one take from a file, every note of it on standard output.

JSON lines for programs, a table for people. Nothing is printed before the whole file has passed
its checks; what is wrong with it is one sentence on standard error, and the exit status 2.
"""

import argparse
import json
import os
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from tqdm import tqdm

from appliance.hearing.ear import Ear
from appliance.instruments import Instrument, find_instrument
from appliance.settings import Settings, for_one_command
from appliance.takes import Take, open_take
from appliance.tuning import (
    TUNINGS,
    UNGRADED_CENTS,
    Target,
    error_cents,
    nearest_note,
    note_name,
    outcome,
    target,
)
from appliance.vocabulary import HeardNote, Movement, NoteEnded, Outcome, Shift

_LONG_TAKE_S = 20.0  # from here on a progress bar is worth its line


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options of ``listen``; values are judged by :func:`run`, in one sentence each."""
    parser.add_argument("take", type=Path, metavar="TAKE.wav", help="microphone left, drone right")
    parser.add_argument("--instrument", required=True, help="viola, double-bass, trombone, …")
    parser.add_argument("--a4", default="440", metavar="HZ", help="400 to 480, default 440")
    parser.add_argument("--tuning", default="just", help=f"{', '.join(TUNINGS)}; default just")
    parser.add_argument("--json", action="store_true", help="one JSON object a line")


def run(args: argparse.Namespace) -> int:
    """Listen to a take and print its notes; returns the exit status.

    Raises GroundnoteError, before anything is printed, for options or a file that will not do.
    """
    settings = for_one_command(args.a4, args.tuning)
    instrument = find_instrument(args.instrument)
    take = open_take(args.take)
    readings = (_read(note, settings) for note in _heard(take, settings, instrument))
    try:
        for line in map(_json_line, readings) if args.json else _table(readings, settings):
            tqdm.write(line, file=sys.stdout)  # lifts a progress bar out of the way
        sys.stdout.flush()
    except BrokenPipeError:  # whoever read our output has seen enough
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return 0


def _heard(take: Take, settings: Settings, instrument: Instrument) -> Iterator[HeardNote]:
    """Yield every note of the take as soon as it is known; a bar on a terminal in a long take."""
    ear = Ear(settings, instrument, take.sample_rate_hz)
    quiet = take.seconds < _LONG_TAKE_S or not sys.stderr.isatty()
    shown = "{l_bar}{bar}| {n:.0f}/{total:.0f} s of sound, {remaining} left"
    with tqdm(total=take.seconds, disable=quiet, leave=False, bar_format=shown) as bar:
        for mic, sent in take.blocks():
            yield from (e.note for e in ear.hear(mic, sent) if isinstance(e, NoteEnded))
            bar.update(len(mic) / take.sample_rate_hz)
        yield from (e.note for e in ear.finish() if isinstance(e, NoteEnded))


@dataclass(frozen=True)
class _Reading:
    """One note against its target: computed now, since only Hz were heard."""

    note: HeardNote
    target: Target | None  # None where nothing was measured
    landing_cents: float | None
    settled_cents: float | None
    reference_hz: float
    tuning: str
    a4_hz: float


def _read(note: HeardNote, settings: Settings) -> _Reading:
    a4_hz = settings.room.a4_hz
    # Without a tonic there is nothing to be just to.
    tuning = "equal" if note.reference_hz is None else settings.room.tuning
    reference_hz = a4_hz if note.reference_hz is None or tuning == "equal" else note.reference_hz
    goal = landing = settled = None
    if note.landing_hz is not None and note.settled_hz is not None:
        goal = target(note.settled_hz, a4_hz=a4_hz, reference_hz=note.reference_hz, tuning=tuning)
        landing = error_cents(note.landing_hz, goal)
        settled = error_cents(note.settled_hz, goal)
    return _Reading(note, goal, landing, settled, reference_hz, tuning, a4_hz)


def _json_line(reading: _Reading) -> str:
    return json.dumps(_fields(reading), allow_nan=False)


def _fields(reading: _Reading) -> dict[str, object]:
    """What a program reads of one note; pitches as heard in Hz, cents against the target."""
    note, vibrato = reading.note, reading.note.vibrato
    return {
        "start_s": round(note.start_s, 4),
        "end_s": round(note.end_s, 4),
        "note": reading.target.name if reading.target else None,
        "landing_hz": _rounded(note.landing_hz, 4),
        "settled_hz": _rounded(note.settled_hz, 4),
        "landing_uncertainty_cents": _rounded(note.landing_uncertainty_cents, 2),
        "landing_cents": _rounded(reading.landing_cents, 2),
        "settled_cents": _rounded(reading.settled_cents, 2),
        "arrival": note.arrival.value,
        "slide_s": _rounded(note.slide_s, 3),
        "vibrato": {
            "rate_hz": round(vibrato.rate_hz, 2),
            "extent_cents": round(vibrato.extent_cents, 1),
        }
        if vibrato
        else None,
        **{_key(movement): _move_fields(movement, reading) for movement in Movement},
        "drone_hz": _rounded(note.drone_hz, 4),
        "reference_hz": round(reading.reference_hz, 4),
        "tuning": reading.tuning,
        "measurable": note.measurable,
    }


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)


def _key(movement: Movement) -> str:
    return movement.replace(" ", "_")


def _move_fields(movement: Movement, reading: _Reading) -> dict[str, object] | None:
    """Fields of the move that led to a note, if it was one of this kind; a leap is certain."""
    shift = reading.note.shift
    if shift is None or shift.movement is not movement:
        return None
    likely = {} if movement is Movement.LEAP else {"likely": round(shift.likely, 2)}
    return {
        "from": _name(shift.from_hz, reading),
        "to": _name(shift.to_hz, reading),
        **likely,
        "side": side(shift, reading.landing_cents),
    }


def side(shift: Shift, landing_cents: float | None) -> str | None:
    """Return ``short`` (stopped before the target) or ``long`` (went past it).

    ``None`` where the landing was not measured, or missed by less than 3 cents.
    """
    if landing_cents is None or abs(landing_cents) < UNGRADED_CENTS:
        return None
    upward = shift.to_hz > shift.from_hz
    return "long" if (landing_cents > 0) == upward else "short"


def _name(hz: float, reading: _Reading) -> str:
    return note_name(nearest_note(hz, reading.a4_hz))


def _table(readings: Iterator[_Reading], settings: Settings) -> Iterator[str]:
    """A line for each note, and what the numbers mean, for people."""
    yield _ROW.format("start", "length", "note", "landed", "settled", "", "arrival", "").rstrip()
    count, references = 0, dict[tuple[str, float], None]()
    for reading in readings:
        count += 1
        references[reading.tuning, reading.reference_hz] = None
        yield _row(reading, settings)
    yield ""
    yield f"{count} note{'' if count == 1 else 's'}; cents sharp (+) or flat (-) of the target"
    for tuning, hz in references:
        name = note_name(nearest_note(hz, settings.room.a4_hz))
        yield f"targets: {tuning} over {name}, {hz:.2f} Hz"


_VERDICT_WIDTH = max(map(len, Outcome))
_ROW = f"{{:>9}} {{:>8}}  {{:<4}} {{:>12}} {{:>8}}  {{:<{_VERDICT_WIDTH}}} {{:<7}} {{}}"


def _row(reading: _Reading, settings: Settings) -> str:
    note, goal = reading.note, reading.target
    name = landed = settled = ""
    verdict = Outcome.NOT_MEASURABLE
    if goal and reading.landing_cents is not None and reading.settled_cents is not None:
        name = goal.name
        landed = f"{reading.landing_cents:+.1f} ±{note.landing_uncertainty_cents or 0.0:.1f}"
        settled = f"{reading.settled_cents:+.1f}"
        verdict = outcome(note, goal, settings.room.band_cents)
    start, length = f"{note.start_s:.2f} s", f"{note.end_s - note.start_s:.2f} s"
    return _ROW.format(
        start, length, name, landed, settled, verdict, note.arrival, _remarks(reading)
    ).rstrip()


def _remarks(reading: _Reading) -> str:
    """Shift, slide move or leap, vibrato and repeat in words."""
    note, words = reading.note, []
    if note.shift:
        way = f"{_name(note.shift.from_hz, reading)}→{_name(note.shift.to_hz, reading)}"
        which = side(note.shift, reading.landing_cents)
        likely = "" if note.shift.movement is Movement.LEAP else "likely "
        words.append(f"{likely}{note.shift.movement} {way}" + (f", {which}" if which else ""))
    if note.vibrato:
        words.append(f"vibrato {note.vibrato.rate_hz:.1f} Hz ±{note.vibrato.extent_cents:.0f}")
    if note.repeat:
        words.append("finger left in place")
    return "; ".join(words)
