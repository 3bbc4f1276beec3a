"""``groundnote advise``: which drone to choose for a passage, and why.

The passage is written out, or is what was played in a sitting of the log. With a log it also says
over which drones the player's notes landed and their calls agreed.
"""

import argparse
import json
import math
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from appliance.instruments import find_instrument
from appliance.log.agreement import CallTally, DroneLine, read_drones
from appliance.log.reader import LogReader
from appliance.log.records import NoteRow
from appliance.log.tallies import Tally
from appliance.log.weeks import Reading, landings_of, passage_of
from appliance.practice.advice import DroneAdvice, NoteAdvice, advise
from appliance.practice.passage import read_passage
from appliance.settings import RoomSettings, for_one_command
from appliance.tuning import TUNINGS, note_name, pitch_class_name
from appliance.vocabulary import InstrumentError, LogbookError, NoteNameError

_EXPLAINED = 3  # drones whose reasons are printed; --json has those of all twelve
_LAST = "last"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options of ``advise``; values are judged by :func:`run`, in one sentence each."""
    passage = parser.add_mutually_exclusive_group(required=True)
    passage.add_argument("--notes", metavar='"E3 F#3"', help="the passage, note by note")
    passage.add_argument("--sitting", metavar="ID", help="a sitting's notes; 'last' for the last")
    parser.add_argument("--instrument", help="with --notes: viola, double-bass, trombone, …")
    parser.add_argument("--a4", default="440", metavar="HZ", help="with --notes; default 440")
    parser.add_argument("--tuning", default="just", help=f"{', '.join(TUNINGS)}; default just")
    parser.add_argument("--log", type=Path, metavar="FILE", help="the player's own log, too")
    parser.add_argument("--player", metavar="NAME", help="with --log: only this player's notes")
    parser.add_argument("--json", action="store_true", help="one JSON object")


@dataclass(frozen=True)
class _Passage:
    """What is to be played: how often each note (MIDI), on what."""

    notes: Counter[int]
    instrument: str
    a4_hz: float


def run(args: argparse.Namespace) -> int:
    """Print the advice; returns the exit status.

    Raises GroundnoteError, before anything is printed, for options or a log that will not do.
    """
    room = for_one_command(args.a4, args.tuning).room
    log = args.log or (Path(room.log_path) if args.sitting else None)
    rows = _rows(log, args.player) if log else []
    if args.sitting:
        sitting = _sitting(rows, args.sitting)
        passage = _played(sitting, room)
        rows = [row for row in rows if row.sitting.player == sitting[0].sitting.player]
    else:
        passage = _written(args.notes, args.instrument, room)
    drones = advise(passage.notes, a4_hz=passage.a4_hz, tuning=room.tuning)
    own = read_drones(landings_of(rows, _reading(room)), room.band_cents)
    for line in _json(passage, room, drones, own) if args.json else _told(passage, drones, own):
        print(line)
    return 0


def _rows(log: Path, player: str | None) -> Sequence[NoteRow]:
    with LogReader(log) as reader:
        span = reader.span()
        return [] if span is None else reader.notes(span[0], math.inf, player)


def _reading(room: RoomSettings) -> Reading:
    return Reading(room.tuning, band_cents=room.band_cents)


def _sitting(rows: Sequence[NoteRow], wanted: str) -> list[NoteRow]:
    """Return the notes of one sitting, at least one."""
    if not rows:
        raise LogbookError("the log has no such notes yet: play first, or check --log and --player")
    last = rows[-1].sitting.sitting_id
    found = [row for row in rows if row.sitting.sitting_id == (last if wanted == _LAST else wanted)]
    if not found:
        raise LogbookError(f"there is no sitting {wanted!r} in the log: the last one is {last}")
    return found


def _played(rows: Sequence[NoteRow], room: RoomSettings) -> _Passage:
    sitting = rows[0].sitting
    notes = passage_of(rows, _reading(room))
    if not notes:
        raise LogbookError(
            f"no note of the sitting {sitting.sitting_id} can be counted: choose another one"
        )
    return _Passage(notes, sitting.instrument, sitting.a4_hz)


def _written(notes: str, instrument: str | None, room: RoomSettings) -> _Passage:
    if instrument is None:
        raise InstrumentError("--notes needs --instrument, such as --instrument cello")
    player = find_instrument(instrument)
    passage = read_passage(notes, player)
    if not passage.notes:
        raise NoteNameError('--notes is empty: write the passage such as "E3 F#3 G#3 A3 C#4"')
    return _Passage(passage.placed, player.name, room.a4_hz)


def _told(
    passage: _Passage, drones: Sequence[DroneAdvice], own: Sequence[DroneLine]
) -> Iterator[str]:
    """Say it to people: the ranking, the reasons of the first few, and what the log knows."""
    names = " ".join(note_name(midi) for midi in sorted(passage.notes))
    yield f"Drones for {names} on the {passage.instrument}, A4 = {passage.a4_hz:g} Hz"
    yield "the easiest to tune to first; hard is from 0 to 3"
    yield ""
    yield "    drone  hard  notes without a pitch free of beats"
    for place, drone in enumerate(drones, 1):
        rough = " ".join(note.name for note in drone.notes if note.meeting is None)
        yield f"{place:>2}  {drone.name:<5}  {drone.hardness:.2f}  {rough or 'none'}"
    for drone in drones[:_EXPLAINED]:
        yield ""
        yield f"{drone.name}, {drone.hz:.2f} Hz"
        yield from (
            f"    {note.name:<4} {note.why}; rough {note.roughness:.2f}" for note in drone.notes
        )
    if own:
        yield ""
        yield "The log: landed, and calls that agreed, over"
        yield from (f"    {pitch_class_name(line.pitch_class):<3} {_counts(line)}" for line in own)


def _counts(line: DroneLine) -> str:
    return (
        f"{_share(line.landings.landed, line.landings)} landed; "
        f"{_share(line.calls.agreed, line.calls)} calls agreed"
    )


def _share(part: int, of: Tally | CallTally) -> str:
    """Return a count with its share and 95 % interval, or without where there are few."""
    if of.few:
        return f"{part} of {of.count} (few)"
    low, high = of.interval
    return f"{part} of {of.count} ({100 * low:.0f} to {100 * high:.0f} %)"


def _json(
    passage: _Passage, room: RoomSettings, drones: Sequence[DroneAdvice], own: Sequence[DroneLine]
) -> Iterator[str]:
    fields = {
        "instrument": passage.instrument,
        "a4_hz": passage.a4_hz,
        "tuning": room.tuning,
        "notes": {note_name(midi): count for midi, count in sorted(passage.notes.items())},
        "drones": [_drone_fields(drone) for drone in drones],
        "log": [_log_fields(line) for line in own],
    }
    yield json.dumps(fields, allow_nan=False)


def _drone_fields(drone: DroneAdvice) -> dict[str, object]:
    return {
        "drone": drone.name,
        "drone_hz": round(drone.hz, 4),
        "hardness": round(drone.hardness, 4),
        "notes": [_note_fields(note) for note in drone.notes],
    }


def _note_fields(note: NoteAdvice) -> dict[str, object]:
    meeting = note.meeting
    return {
        "note": note.name,
        "count": note.count,
        "hardness": round(note.hardness, 4),
        "roughness": round(note.roughness, 4),
        "target_hz": round(note.target_hz, 4),
        "meeting": meeting
        and {
            "drone_partial": meeting.of_drone,
            "note_partial": meeting.of_note,
            "beats_per_cent_hz": round(meeting.beats_per_cent_hz, 4),
            "beats_at_target_hz": round(meeting.beats_hz(note.target_hz), 4),
            "own": meeting.own,
        },
    }


def _log_fields(line: DroneLine) -> dict[str, object]:
    return {
        "drone": pitch_class_name(line.pitch_class),
        "landings": line.landings.count,
        "landed": line.landings.landed,
        "landed_interval_95": list(line.landings.interval),
        "calls": line.calls.count,
        "agreed": line.calls.agreed,
        "agreed_interval_95": list(line.calls.interval),
        "few": {"landings": line.landings.few, "calls": line.calls.few},
    }
