"""``python -m tests.bench.joins``: grow the trees that tell strokes, steps and slides apart.

Every passage that the ear finds in takes of tuning seeds is measured and labelled by what was
played. Printed is the share told right by trees grown on four fifths of the seeds, heard on the
rest; ``--write`` keeps trees grown on all of them in ``appliance/hearing/grown_joins.py``. Their
size was chosen by that share: three times as many, with 40 measures for twelve, told 0.1 % more.
"""

import argparse
import textwrap
from collections.abc import Iterator
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import NamedTuple

import numpy as np
from sklearn.ensemble import HistGradientBoostingClassifier
from tqdm import tqdm

from appliance.hearing import joins, notes
from appliance.hearing.ear import Ear
from appliance.hearing.joins import Forest, Join, Node, Tree
from appliance.settings import Settings
from appliance.vocabulary import Arrival, NoteEnded
from tests.bench.takes import practice
from tests.scoring import match

SEEDS = range(1, 65)  # for tuning; reports begin at 9000
LEVELS_DB: tuple[float | None, ...] = (None, 0.0, 6.0, 12.0)
FOLDS = 5
ROUNDS, LEAVES, LEAST_IN_LEAF, RATE, RIDGE = 30, 6, 40, 0.2, 2.0
NEAR_S = 0.011  # a note that an arrival began
WHERE = Path(joins.__file__).with_name("grown_joins.py")
HEAD = '''"""Trees for ``joins.py``, by ``python -m tests.bench.joins --write``; not by hand.

For each kind of arrival the score at first, and the trees: ``measure:threshold``, then the tree
up to it, then the tree above it; or a leaf.
"""

'''
WIDTH = 98


class Told(NamedTuple):
    """One passage: what was measured, what was played, where."""

    join: Join
    played: Arrival
    seed: int
    vibrato: bool
    level_db: float | None


def _heard(job: tuple[int, bool]) -> list[Told]:
    seed, vibrato = job
    played = practice(seed, vibrato=vibrato)
    found: list[Told] = []
    for level_db in LEVELS_DB:
        take = played.at(level_db)
        ear = Ear(Settings(), take.instrument, take.sample_rate_hz)
        seen: list[tuple[float, Join]] = []
        ear._notes._arrive = partial(_arrive, ear._notes, seen)  # type: ignore[method-assign]
        sent = None if take.sent is None else take.sent.astype(np.float64)
        events = ear.hear(take.mic.astype(np.float64), sent) + ear.finish()
        ended = [event.note for event in events if isinstance(event, NoteEnded)]
        for pair in match(ended, take.truths, played.drone_midi).pairs:
            near = [join for at_s, join in seen if abs(at_s - pair.note.start_s) < NEAR_S]
            if near:
                found.append(Told(near[0], pair.truth.arrival, seed, vibrato, level_db))
    return found


def _arrive(
    finder: notes.NoteFinder, seen: list[tuple[float, Join]], passage: notes.Passage
) -> notes.OpenNote:
    note = notes.NoteFinder._arrive(finder, passage)
    join = joins.look(passage, finder._traces, finder._onsets, finder._hop_s)
    seen.append((note.start * finder._hop_s, join))
    return note


def grown(told: list[Told]) -> Forest:
    """Trees for what was measured."""
    model = HistGradientBoostingClassifier(
        max_iter=ROUNDS,
        max_leaf_nodes=LEAVES,
        min_samples_leaf=LEAST_IN_LEAF,
        learning_rate=RATE,
        l2_regularization=RIDGE,
        early_stopping=False,
    )
    model.fit(np.array([t.join.measures for t in told]), [str(t.played) for t in told])
    kinds = [Arrival(kind) for kind in model.classes_]
    first = np.ravel(model._baseline_prediction).tolist()
    trees = [
        [_tree(predictors[index].nodes) for predictors in model._predictors]
        for index in range(len(kinds))
    ]
    return Forest(dict(zip(kinds, first, strict=True)), dict(zip(kinds, trees, strict=True)))


def _tree(nodes: np.ndarray, at: int = 0) -> Tree:
    node = nodes[at]
    if node["is_leaf"]:
        return round(float(node["value"]), 4)
    threshold = float(f"{node['num_threshold']:.5g}")
    sides = (_tree(nodes, int(node[side])) for side in ("left", "right"))
    return Node(int(node["feature_idx"]), threshold, *sides)


def _rows(told: list[Told], right: list[bool]) -> Iterator[str]:
    for level_db in LEVELS_DB:
        for vibrato in (False, True):
            here = [
                ok
                for ok, t in zip(right, told, strict=True)
                if (t.level_db, t.vibrato) == (level_db, vibrato)
            ]
            name = "no drone" if level_db is None else f"{level_db:+.0f} dB"
            kind = ", vibrato" if vibrato else ""
            yield f"{name + kind:18} {len(here):5d} passages  {100 * np.mean(here):5.1f} % right"


def main() -> None:
    """Read the options, listen, grow, print."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.joins", description=__doc__)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--write", action="store_true", help=f"keep the trees in {WHERE.name}")
    options = parser.parse_args()
    jobs = [(seed, vibrato) for seed in SEEDS for vibrato in (False, True)]
    with get_context("fork").Pool(options.jobs) as pool:
        heard = tqdm(pool.imap(_heard, jobs), total=len(jobs))
        told = [passage for take in heard for passage in take]
    right: dict[int, bool] = {}
    for fold in range(FOLDS):
        forest = grown([t for t in told if t.seed % FOLDS != fold])
        for index, t in enumerate(told):
            if t.seed % FOLDS == fold:
                right[index] = forest.likeliest(t.join) is t.played
    print("\n".join(_rows(told, [right[index] for index in range(len(told))])))
    if options.write:
        forest = grown(told)
        WHERE.write_text(HEAD + _written(forest), encoding="utf-8")


def _written(forest: Forest) -> str:
    lines = ["GROWN: dict[str, tuple[float, str]] = {"]
    for kind, first in forest.first.items():
        line = " ".join(_words(tree) for tree in forest.trees[kind])
        lines += [f'    "{kind}": (', f"        {first:.4f},", '        """']
        lines += [*textwrap.wrap(line, WIDTH, break_on_hyphens=False), '""",', "    ),"]
    return "\n".join([*lines, "}", ""])


def _words(tree: Tree) -> str:
    if not isinstance(tree, Node):
        return f"{tree:g}"
    return f"{tree.measure}:{tree.threshold:g} {_words(tree.upto)} {_words(tree.above)}"


if __name__ == "__main__":
    main()
