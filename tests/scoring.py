"""Found notes against true ones.

Notes are paired one to one by their starts, within 100 ms, whatever the pitch. A note that lasts
0.25 s or more and is called not measurable counts as missed. What is found and paired with nothing
is invented; it is a *split* where it lies inside a true note.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from appliance.vocabulary import Arrival, HeardNote
from tests.truths import Truth, cents_between, hz_of

MATCH_S = 0.1
WRONG_CENTS = 50.0
CORRECTION_CENTS = 12.0  # a correction worth the name


@dataclass(frozen=True)
class Pair:
    """A found note and the true one it stands for."""

    note: HeardNote
    truth: Truth
    octaves: bool = False  # in unison with the drone's root, or octaves above it

    @property
    def measured(self) -> bool:
        return self.note.landing_hz is not None and self.note.settled_hz is not None

    @property
    def landing_error(self) -> float:
        assert self.note.landing_hz is not None
        return cents_between(self.note.landing_hz, self.truth.landing_hz)

    @property
    def settled_error(self) -> float:
        assert self.note.settled_hz is not None
        return cents_between(self.note.settled_hz, self.truth.settled_hz)

    @property
    def true_offset(self) -> float:
        """Of the true landing from equal temperament, in cents."""
        return cents_between(self.truth.landing_hz, hz_of(self.truth.plan.midi))

    @property
    def correction(self) -> float:
        """As it was heard, in cents."""
        assert self.note.landing_hz is not None and self.note.settled_hz is not None
        return cents_between(self.note.settled_hz, self.note.landing_hz)

    @property
    def true_correction(self) -> float:
        return cents_between(self.truth.settled_hz, self.truth.landing_hz)

    @property
    def wrong(self) -> bool:
        return abs(self.landing_error) > WRONG_CENTS

    @property
    def covered(self) -> bool:
        """Whether the true landing lies inside the stated 95 % interval."""
        stated = self.note.landing_uncertainty_cents
        return stated is not None and abs(self.landing_error) <= stated


@dataclass
class Score:
    """Found against true; everything else follows from the pairs."""

    true: int = 0
    lost: list[Truth] = field(default_factory=list)  # with no found note of their own
    invented: list[HeardNote] = field(default_factory=list)
    splits: int = 0  # of the invented
    pairs: list[Pair] = field(default_factory=list)

    @property
    def found(self) -> int:
        return self.true - len(self.lost)

    @property
    def unmeasured(self) -> list[Pair]:
        """Measurable, but said not to be."""
        return [p for p in self.pairs if p.truth.measurable and not p.measured]

    @property
    def measured(self) -> list[Pair]:
        """Every pair with a true and a found landing, wrong or not."""
        return [p for p in self.pairs if p.truth.measurable and p.measured]

    @property
    def missed_share(self) -> float:
        return self._share(len(self.lost) + len(self.unmeasured))

    @property
    def invented_share(self) -> float:
        return self._share(len(self.invented))

    @property
    def split_share(self) -> float:
        return self._share(self.splits)

    @property
    def wrong_share(self) -> float:
        return share([p.wrong for p in self.measured])

    def landing(self, percent: float = 50.0) -> float:
        """Percentile of the landing's absolute error in cents."""
        return percentile([p.landing_error for p in self.measured], percent)

    def settled(self, percent: float = 50.0) -> float:
        return percentile([p.settled_error for p in self.measured], percent)

    def slope(self, *, octaves: bool = False) -> float:
        """Of measured against true offset from the semitone: 1 is right, 0 always "in tune".

        Wrong notes are left out: another octave says nothing of how near ones are pulled.
        """
        pairs = [p for p in self.measured if not p.wrong and (p.octaves or not octaves)]
        if len(pairs) < 3:
            return float("nan")
        true = [p.true_offset for p in pairs]
        return float(np.polyfit(true, np.add(true, [p.landing_error for p in pairs]), 1)[0])

    def arrivals_right(self) -> float:
        return share([p.note.arrival == p.truth.arrival for p in self.pairs])

    def glide_s(self, percent: float = 95.0) -> float:
        """Percentile of the error of a slide's time, where a slide was heard as one."""
        slides = [p for p in self.pairs if p.truth.arrival is Arrival.SLIDE]
        errors = [
            p.note.slide_s - p.truth.slide_s
            for p in slides
            if p.note.slide_s is not None and p.truth.slide_s is not None
        ]
        return percentile(errors, percent)

    def _share(self, count: int) -> float:
        return count / max(self.true, 1)

    def add(self, other: "Score") -> None:
        """Pool another take's score into this one."""
        for name, value in vars(other).items():
            setattr(self, name, getattr(self, name) + value)

    def row(self) -> str:
        """One line for people."""
        return (
            f"{self.true:4d} notes  missed {self.missed_share:5.1%}  invented "
            f"{self.invented_share:5.1%}  wrong {self.wrong_share:5.1%}  "
            f"landing {self.landing():5.2f}/{self.landing(95):6.2f}  "
            f"settled {self.settled():5.2f}/{self.settled(95):6.2f}  "
            f"arrivals {self.arrivals_right():4.0%}"
        )


def percentile(errors: Sequence[float], percent: float) -> float:
    """Of the absolute errors; nan of nothing."""
    return float(np.percentile(np.abs(errors), percent)) if len(errors) else float("nan")


def share(flags: Sequence[bool]) -> float:
    """Of those that are true; nan of nothing."""
    return float(np.mean(flags)) if len(flags) else float("nan")


def match(
    found: Sequence[HeardNote], truths: Sequence[Truth], drone_midi: int | None = None
) -> Score:
    """Pair notes one to one by their starts, nearest first, within ``MATCH_S``."""
    near = sorted(
        (abs(note.start_s - truth.start_s), i, j)
        for i, note in enumerate(found)
        for j, truth in enumerate(truths)
        if abs(note.start_s - truth.start_s) <= MATCH_S
    )
    of_note: dict[int, int] = {}
    taken: set[int] = set()
    for _, i, j in near:
        if i not in of_note and j not in taken:
            of_note[i] = j
            taken.add(j)
    invented = [n for i, n in enumerate(found) if i not in of_note]
    return Score(
        true=len(truths),
        lost=[t for j, t in enumerate(truths) if j not in taken],
        invented=invented,
        splits=sum(any(inside(note, truths[j]) for j in taken) for note in invented),
        pairs=[
            Pair(found[i], truths[j], above_drone(truths[j].plan.midi, drone_midi))
            for i, j in sorted(of_note.items())
        ],
    )


def inside(note: HeardNote, truth: Truth) -> bool:
    """Whether a note began while a true one sounded."""
    return truth.start_s < note.start_s < truth.end_s


def above_drone(midi: int, drone_midi: int | None) -> bool:
    """Whether a note has the name of the drone's root, at or above it."""
    return drone_midi is not None and midi >= drone_midi and (midi - drone_midi) % 12 == 0
