"""``python -m tests.bench.ear``: how well and how fast the ear hears recorded tones.

Takes are built from seeds, out of the recordings of several soundfonts; the truth is Praat's
autocorrelation on the dry tone. ``groundnote listen`` hears each as a user runs it: no note times
and no pitches are given, only the take and the instrument.
"""

import argparse
import os
import sys
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import product
from multiprocessing import get_context

from tqdm import tqdm

from tests.bench.explain import explain
from tests.bench.listening import listen
from tests.bench.report import LEVELS, Level, Row, broken, markdown
from tests.bench.takes import INSTRUMENTS, NOTES, Practice, practice
from tests.scoring import Score, match

FIRST_REPORT_SEED = 9000  # tune on seeds below 1000


@dataclass(frozen=True)
class Job:
    """One playing, to be heard at every level: all that a worker needs to know."""

    seed: int
    vibrato: bool
    notes: int
    levels: tuple[Level, ...]


@dataclass(frozen=True)
class Result:
    """How one take was heard."""

    level_db: Level
    vibrato: bool
    score: Score
    sound_s: float
    spent_s: float
    explained: list[str]


def work(job: Job) -> list[Result]:
    """Build one playing and hear it at every level."""
    played = practice(job.seed, vibrato=job.vibrato, notes=job.notes)
    return [_heard(played, level) for level in job.levels]


def _heard(played: Practice, level_db: Level) -> Result:
    take = played.at(level_db)
    notes, spent_s = listen(take)
    score = match(notes, take.truths, None if level_db is None else played.drone_midi)
    lines = explain(played, level_db, score)
    return Result(level_db, played.vibrato, score, take.seconds, spent_s, lines)


def measure(jobs: Sequence[Job], processes: int = 1) -> list[Result]:
    """Do the jobs, in worker processes where more than one is wanted; same result either way."""
    if processes == 1:
        return [result for job in _shown(map(work, jobs), len(jobs)) for result in job]
    with get_context("spawn").Pool(processes) as pool:
        return [r for job in _shown(pool.imap(work, jobs), len(jobs)) for r in job]


def _shown(results: Iterable[list[Result]], total: int) -> Iterator[list[Result]]:
    yield from tqdm(results, total=total, disable=not sys.stderr.isatty(), leave=False)


def rows_of(results: Iterable[Result]) -> list[Row]:
    """Pool the takes of each level, with vibrato and without."""
    rows: dict[tuple[Level, bool], Row] = {}
    for result in results:
        key = result.level_db, result.vibrato
        row = rows.setdefault(key, Row(*key))
        row.score.add(result.score)
        row.sound_s += result.sound_s
        row.spent_s += result.spent_s
    return list(rows.values())


def jobs_of(
    levels: Sequence[Level], notes: int, first_seed: int, vibrato: Sequence[bool] = (False, True)
) -> list[Job]:
    """Enough playings for ``notes`` in every row."""
    takes = max(round(notes / NOTES), 1)
    seeds = range(first_seed, first_seed + takes)
    return [Job(seed, moves, NOTES, tuple(levels)) for moves, seed in product(vibrato, seeds)]


def main() -> None:
    """Read the options and print the tables."""
    options = _options()
    levels = [None if level == "none" else float(level) for level in options.levels]
    vibrato = {"without": [False], "with": [True], "both": [False, True]}[options.vibrato]
    jobs = jobs_of(levels, options.notes, options.seed, vibrato)
    if options.instruments:
        jobs = [j for j in jobs if INSTRUMENTS[j.seed % len(INSTRUMENTS)] in options.instruments]
    results = measure(jobs, options.jobs)
    rows = rows_of(results)
    print(markdown(rows))
    print("Limits missed:", *broken(rows) or ["none"], sep="\n- ")
    if options.explain:
        print("", *(line for result in results for line in result.explained), sep="\n")


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.ear", description=__doc__)
    names = ["none" if level is None else f"{level:g}" for level in LEVELS]
    parser.add_argument("--levels", nargs="+", default=names, choices=names, metavar="DB")
    parser.add_argument("--notes", type=int, default=1000, help="in every row")
    parser.add_argument("--seed", type=int, default=FIRST_REPORT_SEED, help="the first one")
    parser.add_argument("--vibrato", choices=["without", "with", "both"], default="both")
    parser.add_argument("--instruments", nargs="+", choices=INSTRUMENTS, help="only these")
    parser.add_argument("--jobs", type=int, default=1, help="worker processes")
    parser.add_argument("--explain", action="store_true", help="list every note that went wrong")
    return parser.parse_args()


if __name__ == "__main__":
    os.environ["OMP_NUM_THREADS"] = os.environ["OPENBLAS_NUM_THREADS"] = "1"  # for the workers
    main()
