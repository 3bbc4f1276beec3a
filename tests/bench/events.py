"""``python -m tests.bench.events``: what a moved drone, room or microphone costs, and double stops.

Takes of ten notes in two phrases, in each of which one thing happens (``tests/begins.py``), at
three levels of the drone re the player; takes in which every other note is a double stop
(``tests/dynamics.py``), without a drone and with one. Recorded tones of four string instruments.
"""

import argparse
from collections import Counter
from collections.abc import Iterator, Sequence
from itertools import product
from multiprocessing import get_context

from tqdm import tqdm

from tests.begins import BEGINS, MOST_NOTES, Cost, cost
from tests.bench.summary import FIRST_REPORT_SEED
from tests.dynamics import STRINGS, Told, double_stops, told
from tests.waves import heard

LEVELS_DB = (-6.0, 0.0, 6.0)
STOPS_DRONES_DB = (None, -30.0)  # re full scale: 6 dB below the player
STOPS_NOTES = 20

Begin = tuple[str, float, str, int]
Stop = tuple[str, float | None, int]


def _begin(job: Begin) -> Cost:
    event, level_db, instrument, seed = job
    take = BEGINS[event](seed, instrument, level_db)
    return cost(event, take, heard(take.mic, take.sent, instrument))


def _stops(job: Stop) -> Told:
    instrument, drone_db, seed = job
    stops = double_stops(seed, instrument, STOPS_NOTES, drone_db)
    return told(stops, heard(stops.take.mic, stops.take.sent, instrument))


def begin_rows(jobs: Sequence[Begin], costs: Sequence[Cost]) -> Iterator[str]:
    """One row for each event and level: how many takes cost how many notes."""
    for event, level_db in dict.fromkeys(job[:2] for job in jobs):
        here = [c for job, c in zip(jobs, costs, strict=True) if job[:2] == (event, level_db)]
        notes = Counter(c.notes for c in here)
        spread = ", ".join(f"{number} in {notes[number]}" for number in sorted(notes))
        over = sum(count for number, count in notes.items() if number > MOST_NOTES)
        yield (
            f"{event:17} {level_db:+3.0f} dB  more than {MOST_NOTES} in {over:2d} of {len(here)} "
            f"takes; notes: {spread} (lost {sum(c.lost for c in here)}, wrong "
            f"{sum(c.wrong for c in here)}, not measured {sum(c.unmeasured for c in here)}, "
            f"invented {sum(c.invented for c in here)}, of them late {sum(c.late for c in here)})"
        )


def stop_rows(jobs: Sequence[Stop], results: Sequence[Told]) -> Iterator[str]:
    """One row for each instrument and drone."""
    for instrument, drone_db in dict.fromkeys(job[:2] for job in jobs):
        here = [r for j, r in zip(jobs, results, strict=True) if j[:2] == (instrument, drone_db)]
        yield (
            f"{instrument:12} {'no drone' if drone_db is None else f'{drone_db:+.0f} dBFS':9}"
            f"{sum(r.stops for r in here):4d} double stops: "
            f"{sum(r.one_unmeasured for r in here)} one note, not measurable; "
            f"{sum(r.guessed for r in here)} given a pitch; "
            f"{sum(r.several for r in here)} in parts; "
            f"{sum(r.singles_measured for r in here)} of {sum(r.singles for r in here)} "
            "single notes measured"
        )


def main() -> None:
    """Read the options, hear all takes, print the rows."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.events", description=__doc__)
    parser.add_argument("--seeds", type=int, default=5, help="takes of each kind")
    parser.add_argument("--first", type=int, default=FIRST_REPORT_SEED)
    parser.add_argument("--jobs", type=int, default=2)
    options = parser.parse_args()
    seeds = range(options.first, options.first + options.seeds)
    begins = list(product(BEGINS, LEVELS_DB, STRINGS, seeds))
    stops = list(product(STRINGS, STOPS_DRONES_DB, seeds))
    with get_context("spawn").Pool(options.jobs) as pool:
        costs = list(tqdm(pool.imap(_begin, begins), total=len(begins)))
        results = list(tqdm(pool.imap(_stops, stops), total=len(stops)))
    print("\n".join([*begin_rows(begins, costs), *stop_rows(stops, results)]))
    over = sum(c.notes > MOST_NOTES for c in costs)
    print(f"in all: more than {MOST_NOTES} notes in {over} of {len(costs)} takes")


if __name__ == "__main__":
    main()
