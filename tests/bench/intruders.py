"""``python -m tests.bench.intruders``: how many notes are logged that nobody played.

Rooms are built from seeds, heard block by block, and every note that ends is counted. One row for
each kind of intruder, with and without a drone, and one for a drone left alone for an hour.
"""

import argparse
import time
from collections.abc import Iterable

from appliance.hearing.ear import Ear
from appliance.settings import Settings
from appliance.vocabulary import HeardNote, NoteEnded
from tests.intruders import INTRUDERS, RATE_HZ, LoneRoom, intrusion
from tests.truths import Audio

FIRST_SEED = 9000  # for reports only; tune on other seeds
INSTRUMENT = "viola"
DRONES = (  # levels and roots, and a room whose gains wander
    LoneRoom(),
    LoneRoom(root_hz=110.0, level_db=-12.0, drift_ppm=100.0),
    LoneRoom(root_hz=65.406, level_db=-30.0, drift_ppm=-50.0),
    LoneRoom(root_hz=440.0, level_db=-24.0, drift_ppm=0.0, timbre="warm"),
    LoneRoom(root_hz=146.83, level_db=-50.0, drift_ppm=15.0),
    LoneRoom(root_hz=196.0, level_db=-20.0, wander_db=-14.0, change_s=60.0),
)


def hear(
    blocks: Iterable[tuple[Audio, Audio | None]], instrument: str = INSTRUMENT
) -> list[HeardNote]:
    """Every note the ear logs."""
    ear = Ear(Settings(), instrument, RATE_HZ)
    events = [event for mic, sent in blocks for event in ear.hear(mic, sent)] + ear.finish()
    return [event.note for event in events if isinstance(event, NoteEnded)]


def count(
    kind: str, seed: int, seconds: float, room: LoneRoom | None, instrument: str, *, verbose: bool
) -> int:
    """Hear one kind of intruder, print its row, and return the number of notes."""
    began = time.process_time()
    notes = hear(intrusion(kind, seed, seconds, room), instrument)
    where = "no drone" if room is None else f"drone {room.root_hz:.0f} Hz {room.level_db:+.0f} dB"
    given = sum(note.measurable for note in notes)
    print(
        f"{kind:16} {where:22} {seconds / 60:5.1f} min  {len(notes):4d} notes "
        f"({given} with a pitch)  {len(notes) / seconds * 3600:7.1f} an hour   "
        f"{seconds / (time.process_time() - began):4.1f} x real time",
        flush=True,
    )
    if verbose:
        for note in notes:
            hz = "" if note.landing_hz is None else f"{note.landing_hz:.2f} Hz"
            length = note.end_s - note.start_s
            print(f"    {note.start_s:8.2f} s  {length:5.2f} s  {note.level_db:6.1f} dB  {hz}")
    return len(notes)


def main() -> None:
    """Read the options and print the rows."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.intruders", description=__doc__)
    parser.add_argument("--minutes", type=float, default=10.0, help="per kind, with and without")
    parser.add_argument("--alone", type=float, default=60.0, help="minutes of a drone alone")
    parser.add_argument("--kinds", nargs="+", default=list(INTRUDERS), choices=INTRUDERS)
    parser.add_argument("--instrument", default=INSTRUMENT)
    parser.add_argument("--seed", type=int, default=FIRST_SEED)
    parser.add_argument("--verbose", action="store_true", help="print each note")
    options = parser.parse_args()
    total, seconds = 0, 0.0
    rows: list[tuple[str, float, LoneRoom | None]] = []
    for kind in options.kinds:
        if kind == "nothing":
            rows += [(kind, options.alone * 60, DRONES[0])]
            rows += [(kind, options.minutes * 60, room) for room in DRONES[1:]]
        else:
            rows += [(kind, options.minutes * 60, room) for room in (None, DRONES[0])]
    for number, (kind, length, room) in enumerate(rows):
        total += count(
            kind, options.seed + number, length, room, options.instrument, verbose=options.verbose
        )
        seconds += length
    print(
        f"in all: {total} notes in {seconds / 3600:.2f} hours, {total / seconds * 3600:.1f} an hour"
    )


if __name__ == "__main__":
    main()
