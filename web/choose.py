"""Choose a drone: a passage is entered on rails and rungs or typed, and the drones are ranked.

A rail is an open string, its rungs are the semitones up from it; an instrument without strings has
a rail for every octave of its range. Every rung is a button of one form, which adds its note to the
passage; the address then holds the whole passage, so that it can be kept, sent and gone back from.
"""

from collections import Counter
from dataclasses import dataclass
from typing import Any

from flask import Blueprint, Flask, abort, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from werkzeug.exceptions import BadRequest

from appliance.instruments import INSTRUMENTS, Instrument, find_instrument
from appliance.log.agreement import DroneLine, read_drones
from appliance.log.weeks import landings_of, passage_of
from appliance.notation import Naming
from appliance.practice.advice import DroneAdvice, advise
from appliance.practice.passage import FINGERS, OPEN, Passage, PassageNote, read_passage
from appliance.vocabulary import GroundnoteError, InstrumentError, LogbookError
from web import ear, naming
from web.access import open_log
from web.pages import frame
from web.place import current_room
from web.query import Asked, read_query

blueprint = Blueprint("choose", __name__)

EXPLAINED = 3  # drones whose reasons are open at once; the others are a tap away
RUNGS = 13  # an octave and the next open rung
_POSITIONS = (0, 12, 24)  # semitones above the open string where the rungs may begin


@dataclass(frozen=True, slots=True)
class Rung:
    """One note of a rail; ``count`` is how often the passage has it there."""

    note: PassageNote
    count: int


@dataclass(frozen=True, slots=True)
class Rail:
    """An open string, or an octave of an instrument without strings."""

    midi: int
    rungs: tuple[Rung | None, ...]  # None: beyond the instrument


@dataclass(frozen=True, slots=True)
class Wanted:
    """What the form says: the passage, where it comes from, and where the rungs begin."""

    instrument: Instrument
    passage: Passage
    from_semitone: int
    finger: int | None


def register(app: Flask) -> None:
    """Give the templates of ``app`` the words of this page."""
    app.jinja_env.filters.update(passage_note=passage_note)
    app.register_blueprint(blueprint)


@blueprint.get("/choose")
def show_choice() -> ResponseReturnValue:
    """The chooser, and below it the ranking for what was chosen."""
    asked = read_query(request.args, current_room().settings, current_room().this_week)
    if "sitting" in request.args:
        return redirect(_address(_of_sitting(request.args["sitting"], asked), asked))
    wanted, trouble = _wanted(asked)
    pressed = any(key in request.args for key in ("add", "back", "clear"))
    if (pressed or "typed" in request.args) and not trouble:
        return redirect(_address(_changed(wanted), asked) + ("#passage" if pressed else ""))
    drones = _ranked(wanted, asked)
    return render_template(
        "choose.html",
        wanted=wanted,
        typed=_typed()[:2000] if trouble else wanted.passage.written(naming.current()),
        trouble=trouble,
        rails=_rails(wanted),
        positions=_positions(wanted.instrument),
        fingers=FINGERS,
        examples=_examples(wanted.instrument),
        instruments=tuple(INSTRUMENTS),
        drones=drones,
        ranked_a4_hz=_a4_hz(asked),
        explained=EXPLAINED,
        kept=_kept(asked),
        held=_held(wanted, asked),
        own=_own(asked) if drones else (),
        weeks=ear.WEEKS,
        **frame(asked),
    )


# -- what is asked ----------------------------------------------------------------------------


def _wanted(asked: Asked) -> tuple[Wanted, str]:
    """Read the form; a passage that cannot be read is empty, with a sentence that says why."""
    instrument, trouble = _instrument()
    finger = request.args.get("finger", "")
    wanted = Wanted(
        instrument,
        Passage(()),
        _from_semitone(),
        int(finger) if finger in map(str, FINGERS) else None,
    )
    naming.follow(asked, (), instrument.name)
    try:
        passage = _read_typed(instrument)
    except GroundnoteError as error:
        return wanted, str(error)
    return Wanted(instrument, passage, wanted.from_semitone, wanted.finger), trouble


def _typed() -> str:
    return request.args.get("typed", request.args.get("notes", ""))


def _read_typed(instrument: Instrument) -> Passage:
    """Read what was typed, named as the page names notes; an address has the names of the log."""
    names = naming.current() if "typed" in request.args else Naming()
    return read_passage(_typed(), instrument, names)


def _instrument() -> tuple[Instrument, str]:
    usual = current_room().settings.instrument
    try:
        return find_instrument(request.args.get("instrument", usual)), ""
    except InstrumentError as error:
        return find_instrument(usual), str(error)


def _from_semitone() -> int:
    text = request.args.get("from", "0")
    return int(text) if text in map(str, _POSITIONS) else 0


def _changed(wanted: Wanted) -> Wanted:
    """Add the rung that was pressed, take back the last note, begin anew, or leave it so."""
    notes = list(wanted.passage.notes)
    if "clear" in request.args:
        notes = []
    elif "back" in request.args:
        notes = notes[:-1]
    elif "add" in request.args:
        notes.append(_pressed(wanted))
    try:  # also a rung that somebody wrote into the address must be a note of the instrument
        passage = read_passage(" ".join(map(str, notes)), wanted.instrument)
    except GroundnoteError as error:
        raise BadRequest(str(error)) from None
    return Wanted(wanted.instrument, passage, wanted.from_semitone, wanted.finger)


def _pressed(wanted: Wanted) -> PassageNote:
    """The note of a rung; the chosen finger goes with it wherever a finger is needed."""
    try:
        (note,) = read_passage(request.args["add"], wanted.instrument).notes
    except (GroundnoteError, ValueError):
        raise BadRequest("There is no such rung: use the buttons.") from None
    if note.string is None:
        return note
    if note.midi == note.string:
        return PassageNote(note.midi, note.string, OPEN)
    return PassageNote(note.midi, note.string, wanted.finger)


def _address(wanted: Wanted, asked: Asked) -> str:
    return url_for("choose.show_choice", **_held(wanted, asked))


def _kept(asked: Asked) -> dict[str, Any]:
    """How the page reads and writes, and the week if the address says one."""
    return asked.link() if "week" in request.args else asked.switches()


def _held(wanted: Wanted, asked: Asked) -> dict[str, Any]:
    """All that the address of this page holds."""
    values = {"instrument": wanted.instrument.name, "notes": str(wanted.passage)}
    if wanted.from_semitone:
        values["from"] = str(wanted.from_semitone)
    if wanted.finger is not None:
        values["finger"] = str(wanted.finger)
    return values | _kept(asked)


def _of_sitting(sitting_id: str, asked: Asked) -> Wanted:
    """Take the notes of a sitting, each once: how often it was played is no reason here."""
    try:
        with open_log() as log:
            sitting = log.sitting(sitting_id)
            rows = log.notes_of(sitting_id) if sitting else []
        instrument = find_instrument(sitting.instrument) if sitting else None
    except (LogbookError, InstrumentError):
        instrument = None
    if instrument is None:
        abort(404)
    played = passage_of(rows, asked.reading)
    notes = sorted(midi for midi in played if instrument.lowest <= midi <= instrument.highest)
    return Wanted(instrument, Passage(tuple(map(PassageNote, notes))), 0, None)


# -- what is shown ----------------------------------------------------------------------------


def _rails(wanted: Wanted) -> tuple[Rail, ...]:
    instrument = wanted.instrument
    placed = Counter((note.midi, note.string) for note in wanted.passage.notes)
    starts = instrument.strings or range(instrument.lowest, instrument.highest + 1, 12)
    return tuple(_rail(start, wanted, placed) for start in starts)


def _rail(start: int, wanted: Wanted, placed: Counter[tuple[int, int | None]]) -> Rail:
    strings = wanted.instrument.strings
    first = start + (wanted.from_semitone if strings else 0)
    rungs: list[Rung | None] = []
    for midi in range(first, first + (RUNGS if strings else RUNGS - 1)):
        note = PassageNote(midi, start if strings else None)
        known = placed[midi, note.string] + (placed[midi, None] if strings else 0)
        rungs.append(Rung(note, known) if midi <= wanted.instrument.highest else None)
    return Rail(start, tuple(rungs))


def _positions(instrument: Instrument) -> tuple[int, ...]:
    """Where the rungs may begin, as far as the highest string goes."""
    if not instrument.strings:
        return ()
    reach = instrument.highest - instrument.strings[-1]
    return tuple(start for start in _POSITIONS if start < reach)


def _examples(instrument: Instrument) -> tuple[str, ...]:
    """Notes to show how they are written: a few, then one with its finger and an open string."""
    names = naming.current()
    if not instrument.strings:
        middle = (instrument.lowest + instrument.highest) // 2
        return (" ".join(names.note(middle + step) for step in (0, 2, 4)),)
    string = instrument.strings[1]
    notes = " ".join(names.note(string + step) for step in (2, 4, 5))
    fingered, bare = PassageNote(string + 4, string, 2), PassageNote(string, string, OPEN)
    return notes, fingered.written(names), bare.written(names)


def _ranked(wanted: Wanted, asked: Asked) -> tuple[DroneAdvice, ...]:
    if not wanted.passage.notes:
        return ()
    return advise(wanted.passage.placed, a4_hz=_a4_hz(asked), tuning=asked.reading.tuning)


def _a4_hz(asked: Asked) -> float:
    """At which A4 the drones are ranked: nothing was played yet."""
    return asked.reading.a4_hz or current_room().settings.a4_hz


def _own(asked: Asked) -> tuple[DroneLine, ...]:
    """What the player's own log says of drones, over the same weeks as the page of the ear."""
    zone = current_room().zone
    begins = asked.week.later(1 - ear.WEEKS).bounds(zone)[0]
    try:
        with open_log() as log:
            rows = log.notes(begins, asked.week.bounds(zone)[1])
    except LogbookError:  # no log yet, or it cannot be read now: the ranking needs none
        return ()
    return read_drones(landings_of(rows, asked.reading, zone), asked.reading.band_cents)


def passage_note(note: PassageNote) -> str:
    """Name a note of the passage, with string and finger in words."""
    name = naming.note_name(note.midi)
    if note.string is None:
        return name
    string = naming.pitch_class_name(note.string % 12)
    if note.open:
        return f"{name} (open)"
    finger = "" if note.finger is None else f", finger {note.finger}"
    return f"{name} ({string} string{finger})"
