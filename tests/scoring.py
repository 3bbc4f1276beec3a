"""Found notes against true ones."""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from appliance.vocabulary import HeardNote
from tests.truths import Truth, cents_between, hz_of


@dataclass
class Score:
    """Found against true; errors in cents hold every matched, measurable note, wrong or not."""

    true: int = 0
    missed: list[Truth] = field(default_factory=list)
    invented: list[HeardNote] = field(default_factory=list)
    wrong: int = 0  # landing more than 50 cents off
    unmeasured: int = 0  # measurable, but said not to be
    guessed: int = 0  # not measurable, but given a landing
    landing_errors: list[float] = field(default_factory=list)
    settled_errors: list[float] = field(default_factory=list)
    onset_errors: list[float] = field(default_factory=list)
    true_offsets: list[float] = field(default_factory=list)  # landing from equal temperament
    arrivals_right: int = 0
    pairs: list[tuple[HeardNote, Truth]] = field(default_factory=list)

    @property
    def found(self) -> int:
        return self.true - len(self.missed)

    @property
    def found_share(self) -> float:
        return self.found / max(self.true, 1)

    @property
    def invented_share(self) -> float:
        return len(self.invented) / max(self.true, 1)

    def landing(self, percent: float = 50.0) -> float:
        """Percentile of the landing's absolute error in cents."""
        return _percentile(self.landing_errors, percent)

    def settled(self, percent: float = 50.0) -> float:
        return _percentile(self.settled_errors, percent)

    def slope(self) -> float:
        """Of measured against true offset from the semitone: 1 is right, 0 always "in tune"."""
        if len(self.true_offsets) < 3:
            return float("nan")
        measured = np.add(self.true_offsets, self.landing_errors)
        return float(np.polyfit(self.true_offsets, measured, 1)[0])

    def add(self, other: "Score") -> None:
        """Pool another take's score into this one."""
        for name, value in vars(other).items():
            setattr(self, name, getattr(self, name) + value)

    def row(self) -> str:
        """One line for people."""
        return (
            f"{self.true:4d} notes  found {self.found_share:6.1%}  invented "
            f"{self.invented_share:5.1%}  wrong {self.wrong:3d}  unmeasured {self.unmeasured:3d}  "
            f"landing {self.landing():5.2f}/{self.landing(95):6.2f}  "
            f"settled {self.settled():5.2f}/{self.settled(95):6.2f}  "
            f"arrivals {self.arrivals_right / max(self.found, 1):4.0%}"
        )


def _percentile(errors: Sequence[float], percent: float) -> float:
    return float(np.percentile(np.abs(errors), percent)) if errors else float("nan")


def match(found: Sequence[HeardNote], truths: Sequence[Truth], tolerance_s: float = 0.1) -> Score:
    """Pair notes one to one by their starts, nearest first, within ``tolerance_s``."""
    near = sorted(
        (abs(note.start_s - truth.start_s), i, j)
        for i, note in enumerate(found)
        for j, truth in enumerate(truths)
        if abs(note.start_s - truth.start_s) <= tolerance_s
    )
    of_note: dict[int, int] = {}
    taken: set[int] = set()
    for _, i, j in near:
        if i not in of_note and j not in taken:
            of_note[i] = j
            taken.add(j)
    score = Score(true=len(truths))
    score.missed = [t for j, t in enumerate(truths) if j not in taken]
    score.invented = [n for i, n in enumerate(found) if i not in of_note]
    for i, j in sorted(of_note.items()):
        _compare(score, found[i], truths[j])
    return score


def _compare(score: Score, note: HeardNote, truth: Truth) -> None:
    score.pairs.append((note, truth))
    score.onset_errors.append(note.start_s - truth.start_s)
    score.arrivals_right += note.arrival == truth.arrival
    if note.landing_hz is None or note.settled_hz is None:
        score.unmeasured += truth.measurable
        return
    if not truth.measurable:
        score.guessed += 1
        return
    error = cents_between(note.landing_hz, truth.landing_hz)
    score.wrong += abs(error) > 50.0
    score.landing_errors.append(error)
    score.settled_errors.append(cents_between(note.settled_hz, truth.settled_hz))
    score.true_offsets.append(cents_between(truth.landing_hz, hz_of(truth.plan.midi)))
