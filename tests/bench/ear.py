"""``python -m tests.bench.ear``: how well and how fast the ear hears recorded tones.

Takes are built from seeds, out of the recordings of several soundfonts; the truth is Praat's
autocorrelation on the dry tone. ``groundnote listen`` hears each as a user runs it: no note times
and no pitches are given, only the take and the instrument. General trackers, which are given the
note times, hear the same takes in the same run.
"""

import argparse
import sys
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import count, islice
from multiprocessing import get_context
from pathlib import Path

from tqdm import tqdm

from tests.bench.explain import explain
from tests.bench.limits import LEVELS, Level
from tests.bench.listening import listen
from tests.bench.peers import PeerScore, follow
from tests.bench.report import Row
from tests.bench.summary import FIRST_REPORT_SEED, Summary
from tests.bench.takes import INSTRUMENTS, NOTES, Practice, instrument_of, practice
from tests.bench.transcription import Transcribed, transcribed
from tests.scoring import Score, match

RESULTS = Path(__file__).with_name("RESULTS.md")
QUICK_SEED = 8000  # neither a tuning nor a reporting one
QUICK_VIBRATO_LEVELS = (0.0, 6.0)
QUICK_LOOSENED = 1.5


@dataclass(frozen=True)
class Job:
    """One playing, to be heard at every level: all that a worker needs to know."""

    seed: int
    levels: tuple[Level, ...]
    vibrato: bool = False
    peers: bool = False
    pyin: bool = False
    notes: int = NOTES


@dataclass(frozen=True)
class Result:
    """How one take was heard."""

    level_db: Level
    vibrato: bool
    player: str  # instrument and soundfont
    score: Score
    transcribed: Transcribed
    peers: dict[str, PeerScore]
    sound_s: float
    spent_s: float
    explained: list[str]


def work(job: Job) -> list[Result]:
    """Build one playing and hear it at every level."""
    played = practice(job.seed, vibrato=job.vibrato, notes=job.notes)
    return [_heard(played, level, job) for level in job.levels]


def _heard(played: Practice, level_db: Level, job: Job) -> Result:
    take = played.at(level_db)
    notes, spent_s = listen(take)
    score = match(notes, take.truths, None if level_db is None else played.drone_midi)
    return Result(
        level_db=level_db,
        vibrato=played.vibrato,
        player=f"{played.instrument}, {played.font}",
        score=score,
        transcribed=transcribed(notes, take.truths),
        peers=follow(take, pyin=job.pyin) if job.peers else {},
        sound_s=take.seconds,
        spent_s=spent_s,
        explained=explain(played, level_db, score),
    )


def measure(jobs: Sequence[Job], processes: int = 1) -> list[Result]:
    """Do the jobs, in worker processes where more than one is wanted; same result either way."""
    if processes == 1:
        return [result for done in _shown(map(work, jobs), len(jobs)) for result in done]
    with get_context("spawn").Pool(processes) as pool:
        return [r for done in _shown(pool.imap(work, jobs), len(jobs)) for r in done]


def _shown(results: Iterable[list[Result]], total: int) -> Iterator[list[Result]]:
    yield from tqdm(results, total=total, disable=not sys.stderr.isatty(), leave=False)


def summed(results: Iterable[Result]) -> Summary:
    """Pool the takes of each level, with vibrato and without."""
    summary = Summary()
    for result in results:
        key = result.level_db, result.vibrato
        row = summary.rows.setdefault(key, Row(*key))
        row.score.add(result.score)
        row.sound_s += result.sound_s
        row.spent_s += result.spent_s
        summary.transcribed.setdefault(key, Transcribed()).add(result.transcribed)
        summary.players.setdefault(result.player, Score()).add(result.score)
        for name, peer in result.peers.items():
            summary.peers.setdefault((*key, name), PeerScore()).add(peer)
    return summary


def jobs_of(
    levels: Sequence[Level],
    notes: int,
    first_seed: int,
    vibrato: Sequence[bool] = (False, True),
    *,
    instruments: Sequence[str] = INSTRUMENTS,
    peers: bool = False,
    pyin: int = 0,
) -> list[Job]:
    """Enough playings for ``notes`` in every row; pYIN hears the first ``pyin`` of each kind."""
    fitting = (seed for seed in count(first_seed) if instrument_of(seed) in instruments)
    seeds = list(islice(fitting, max(round(notes / NOTES), 1)))
    return [
        Job(seed, tuple(levels), moves, peers, number < pyin)
        for moves in vibrato
        for number, seed in enumerate(seeds)
    ]


def quick_jobs() -> list[Job]:
    """Each instrument once at every level, and once with vibrato at two of them."""
    notes = NOTES * len(INSTRUMENTS)
    return [
        *jobs_of(LEVELS, notes, QUICK_SEED, [False]),
        *jobs_of(QUICK_VIBRATO_LEVELS, notes, QUICK_SEED, [True]),
    ]


def main() -> None:
    """Read the options, measure, print the report."""
    options = _options()
    jobs = quick_jobs() if options.quick else _chosen(options)
    results = measure(jobs, options.jobs)
    command = "python -m tests.bench.ear " + " ".join(sys.argv[1:])
    loosened = QUICK_LOOSENED if options.quick else 1.0
    report = summed(results).report(command.strip(), [job.seed for job in jobs], loosened)
    print(report)
    if options.keep:
        RESULTS.write_text(report + "\n")
    if options.explain:
        print("", *(line for result in results for line in result.explained), sep="\n")


def _chosen(options: argparse.Namespace) -> list[Job]:
    levels = [None if level == "none" else float(level) for level in options.levels]
    vibrato = {"without": [False], "with": [True], "both": [False, True]}[options.vibrato]
    return jobs_of(
        levels,
        options.notes,
        options.seed,
        vibrato,
        instruments=options.instruments,
        peers=bool(options.peers or options.pyin),
        pyin=options.pyin,
    )


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.ear", description=__doc__)
    names = ["none" if level is None else f"{level:g}" for level in LEVELS]
    parser.add_argument("--levels", nargs="+", default=names, choices=names, metavar="DB")
    parser.add_argument("--notes", type=int, default=1000, help="in every row")
    parser.add_argument("--seed", type=int, default=FIRST_REPORT_SEED, help="the first one")
    parser.add_argument("--vibrato", choices=["without", "with", "both"], default="both")
    parser.add_argument("--instruments", nargs="+", choices=INSTRUMENTS, default=INSTRUMENTS)
    parser.add_argument("--jobs", type=int, default=1, help="worker processes")
    parser.add_argument("--explain", action="store_true", help="list every note that went wrong")
    parser.add_argument("--peers", action="store_true", help="run general trackers on the takes")
    parser.add_argument("--pyin", type=int, default=0, help="playings of each kind for pYIN: slow")
    parser.add_argument("--quick", action="store_true", help="the small run that CI makes")
    parser.add_argument("--keep", action="store_true", help=f"write {RESULTS.name}")
    return parser.parse_args()


if __name__ == "__main__":
    main()
