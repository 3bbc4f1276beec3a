"""How one pitch became another: the bow changed, the finger stepped, or it slid.

What tells most is how far every pitch on the way stands out of noise and of a drone's rest: a slide
passes through what lies between, a step holds both pitches for a moment, a bow neither. Twelve such
measures go through a small forest of decision trees, one sum for each kind of arrival (gradient
boosting: Friedman, "Greedy function approximation", Annals of Statistics 29, 2001). It is grown by
``python -m tests.bench.joins`` on recorded tones over no drone and over drones of 0 to +12 dB,
tuning seeds: slides of 60 to 200 ms, steps of 35 to 80 with dips of up to 8 dB, strokes with dips
of 6 to 23.
"""

from collections import deque
from typing import NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from appliance.hearing.grown_joins import GROWN
from appliance.hearing.onsets import Onsets
from appliance.hearing.passages import Crossing, Passage, cross
from appliance.hearing.strokes import Dip, dip
from appliance.hearing.traces import Traces
from appliance.vocabulary import Arrival

Floats = NDArray[np.float64]

WAYS = np.array((0.0, 0.2, 0.35, 0.5, 0.65, 0.8, 1.0))  # from the old pitch to the new
BACK_HOPS, ON_HOPS = 15, 10  # how far before the middle of the passage, and after it, one looks
STEADY_HOPS = 6  # further from the middle than this, one pitch stands alone
NEAR_HOPS = 6  # about the middle something must stand out, unless the bow stopped
HALF, FEW = 0.5, 0.3  # shares of the strength with which a pitch stands out in its own note
SILENT = 1e-9
UNSEEN_S = -1.0  # in place of a time that could not be seen


class Standing(NamedTuple):
    """How strength went from the old pitch to the new; shares are of the mean of both notes.

    Attributes
    ----------
    old_gone : the first hop, from the middle, in which the old pitch stood out by less than FEW
    changed : hops from where the old pitch fell to half to where the new one rose to it
    old_share : how far the old pitch stood out in its own note
    middle_share : how far the middle of the way stood out at most
    least_share : how far whatever stood out most did so at least, near the middle
    spread : how far along the way strength is spread while its centre passes the middle: half of
        the way where both pitches sound at once, little where one glides
    """

    old_gone: float
    changed: float
    old_share: float
    middle_share: float
    least_share: float
    spread: float


class Join(NamedTuple):
    """What is seen of a passage of ``jump`` cents."""

    jump: float
    dip: Dip
    crossing: Crossing
    standing: Standing

    @property
    def measures(self) -> tuple[float, ...]:
        """All of it as numbers, in the order in which the trees were grown."""
        _, depth_db, every_band_db = self.dip
        crossing = self.crossing
        seen_s = np.nan_to_num((crossing.quick_s, crossing.fine_s), nan=UNSEEN_S).tolist()
        return (depth_db, every_band_db, len(crossing.run), *seen_s, abs(self.jump), *self.standing)


def look(passage: Passage, traces: Traces, onsets: Onsets, hop_s: float) -> Join:
    """Look at a passage, once the pitch has come to stay; ``onsets`` reach up to now."""
    middle = (passage.left + passage.arrived) // 2
    pitches = passage.reference + WAYS * passage.jump
    return Join(
        passage.jump,
        dip(traces, passage.left, passage.arrived),
        cross(passage, traces, hop_s),
        _standing(onsets.lines(pitches, middle - BACK_HOPS, traces.now + 1)),
    )


def _standing(stood: Floats) -> Standing:
    """Measure how far pitches stood out, shape (ways, hops)."""
    old = max(float(np.median(stood[0, : BACK_HOPS - STEADY_HOPS])), SILENT)
    new = max(float(np.median(stood[-1, BACK_HOPS + STEADY_HOPS :])), SILENT)
    both = (old + new) / 2
    old_line, new_line = stood[0] / old, stood[-1] / new
    about = slice(BACK_HOPS - ON_HOPS, BACK_HOPS + ON_HOPS + 1)
    near = slice(BACK_HOPS - NEAR_HOPS, BACK_HOPS + NEAR_HOPS + 1)
    most = np.maximum(np.maximum(old_line, new_line), stood[1:-1].max(0) / both)
    share = stood[:, about] / (stood[:, about].sum(0) + SILENT)
    centre = WAYS @ share
    spread = np.sqrt(((WAYS[:, None] - centre) ** 2 * share).sum(0))
    return Standing(
        old_gone=_first(old_line < FEW) - float(BACK_HOPS),
        changed=_first(new_line > HALF) - float(_first(old_line < HALF)),
        old_share=old / both,
        middle_share=float(stood[len(WAYS) // 2, about].max()) / both,
        least_share=float(most[near].min()),
        spread=float(spread[np.abs(centre - 0.5).argmin()]),
    )


def _first(flags: NDArray[np.bool_]) -> int:
    """The first hop near the middle that is true; else the number of hops."""
    flags = flags[BACK_HOPS - ON_HOPS :]
    return BACK_HOPS - ON_HOPS + (int(flags.argmax()) if flags.any() else len(flags))


class Node(NamedTuple):
    """Where a tree branches: at a threshold of one measure."""

    measure: int
    threshold: float
    upto: "Tree"
    above: "Tree"


Tree: TypeAlias = float | Node


class Forest(NamedTuple):
    """Trees whose leaves add up to a score for each kind of arrival."""

    first: dict[Arrival, float]
    trees: dict[Arrival, list[Tree]]

    @classmethod
    def read(cls, lines: dict[str, tuple[float, str]]) -> "Forest":
        """Take the lines of ``grown_joins.py``."""
        return cls(
            {Arrival(kind): first for kind, (first, _) in lines.items()},
            {Arrival(kind): _trees(line) for kind, (_, line) in lines.items()},
        )

    def likeliest(self, join: Join) -> Arrival:
        """The kind with the highest score."""
        measures = join.measures

        def score(kind: Arrival) -> float:
            return self.first[kind] + sum(_leaf(tree, measures) for tree in self.trees[kind])

        return max(self.first, key=score)


def _trees(line: str) -> list[Tree]:
    words = deque(line.split())
    trees = []
    while words:
        trees.append(_tree(words))
    return trees


def _tree(words: deque[str]) -> Tree:
    word = words.popleft()
    if ":" not in word:
        return float(word)
    measure, threshold = word.split(":")
    return Node(int(measure), float(threshold), _tree(words), _tree(words))


def _leaf(tree: Tree, measures: tuple[float, ...]) -> float:
    while isinstance(tree, Node):
        tree = tree.upto if measures[tree.measure] <= tree.threshold else tree.above
    return tree


FOREST = Forest.read(GROWN)
