"""Passages: the pitch leaves one note and stays at another, with an audible glide or without."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from appliance.hearing.traces import Traces
from appliance.tuning import CENTS_PER_OCTAVE, off_octave

Floats = NDArray[np.float64]

STEP_CENTS = 60.0  # a move that ends this far away is another note, however slow
QUICK_HOPS = 9  # a smaller move is another note only when it is this quick
STAY_HOPS = 8  # how long the pitch must stay elsewhere
STAY_OCTAVE_HOPS = 16  # longer where an octave slip of the estimators would look the same
STILL_HOPS = 6  # over which it is judged whether it is still
STAY_CENTS = 45.0  # how still it must be there: the steepest vibrato passes
OCTAVE_CENTS = (1100.0, 60.0)  # a jump at least so wide, and so near to whole octaves
MULTIPLES_CENTS = (1200.0, 1901.96, 2400.0)  # two, three and four times the frequency
MULTIPLE_CENTS = 70.0
LEFT_WAY, ARRIVED_WAY = 0.15, 0.85  # a little more than the unsteadiness of both notes
BACK_HOPS = 15  # how far before the pitch left it may have begun to
SLIDE_HOPS = 3  # through fewer frames no way can be followed
ABOUT_HOPS = 4  # about the frames between which the pitch changed
LOOK_HOPS = 12  # how far a glide may reach beyond them
EDGE_CENTS = 12.0  # nearer to either pitch the estimate may belong to it: vibrato
SLIDE_EDGES = 0.12, 0.25  # the same as a share of the way: at least, at most
BESIDE_CENTS = 60.0  # no reading that belongs to a passage lies further off the way
SLIP_WAY = 1.2  # no reading that belongs to a glide lies so far from the middle of the way
ONWARD_HOPS = 8, 24  # after its arrival; one cycle of vibrato
LEAP = 0.5  # a glide of 60 ms covers a quarter of its way in a hop: what leaps so far has slipped
SHORT_S = 0.007  # glides of recorded tones are read so much too short (tests/bench, tuning seeds)


@dataclass(frozen=True, slots=True)
class Passage:
    """From one pitch to another: ``left`` is the last frame at the old, ``arrived`` the first."""

    reference: float  # cents
    jump: float  # cents
    left: int
    arrived: int

    def to(self, at: Sequence[int], cents: Sequence[float]) -> "Passage":
        """The same to where the pitch came to stay, once that is known: it may glide on."""
        begin, stop = self.arrived + ONWARD_HOPS[0], self.arrived + ONWARD_HOPS[1]
        there = [c for k, c in zip(at, cents, strict=True) if begin <= k < stop]
        if not there:
            return self
        return replace(self, jump=sum(there) / len(there) - self.reference)

    def multiple(self) -> float | None:
        """The octaves or the twelfth that the jump is near to, in cents; ``None``: another."""
        near = [m for m in MULTIPLES_CENTS if abs(abs(self.jump) - m) < MULTIPLE_CENTS]
        return float(np.copysign(near[0], self.jump)) if near else None

    def way(self, cents: Floats) -> Floats:
        """How far from the old pitch (0) to the new (1)."""
        return _way(cents, self.reference, self.jump)

    def mended(self, quick: Floats, fine: Floats) -> Floats:
        """``quick`` in cents without its slips of an octave; off the way ``fine`` is taken."""
        ends = self.reference, self.reference + self.jump
        low, high = min(ends) - BESIDE_CENTS, max(ends) + BESIDE_CENTS
        line = fine
        for slip in (CENTS_PER_OCTAVE, -CENTS_PER_OCTAVE, 0.0):
            there = quick + slip
            line = np.where((there > low) & (there < high), there, line)
        return line

    def edge(self) -> float:
        """Share of the way that belongs to either pitch and its unsteadiness."""
        return float(np.clip(EDGE_CENTS / abs(self.jump), *SLIDE_EDGES))

    def middle(self) -> float:
        """Share of its time that a half-cosine glide is not in the edges."""
        return 1.0 - 2.0 * float(np.arccos(1.0 - 2.0 * self.edge())) / np.pi


class Crossing(NamedTuple):
    """How long a passage was between its edges, as three ways of looking see it; seconds.

    ``run`` are hops there in a row, ``quick_s`` and ``fine_s`` the times of both
    estimators, between frames as well (NaN: not to be seen), ``leaps`` what share of the way each
    of them covers in the one hop in which it passes the middle.
    """

    run: list[int]
    run_s: float
    quick_s: float
    fine_s: float
    leaps: tuple[float, float]

    def seconds(self) -> float:
        """The likeliest of them, for the whole glide; of an estimator that leapt, nothing."""
        quick, fine = (leap <= LEAP for leap in self.leaps)
        if quick != fine:
            return (self.quick_s if quick else self.fine_s) + SHORT_S
        return float(np.nanmedian((self.run_s, self.quick_s, self.fine_s))) + SHORT_S


def _way(cents: Floats, reference: float, jump: float) -> Floats:
    return np.asarray((cents - reference) / jump)


def find_passage(
    at: Sequence[int],
    cents: Sequence[float],
    away_at: list[int],
    away: list[float],
    reference: float,
) -> Passage | None:
    """The passage to another note, once the pitch has left for good and is still there.

    ``at`` and ``cents`` are the frames of the note, ``away_at`` and ``away`` those since its pitch
    left ``reference``.
    """
    still = away[-STILL_HOPS:]
    jump = sum(still) / len(still) - reference
    need = STAY_OCTAVE_HOPS if _octave(jump) else STAY_HOPS
    if len(away) < need or max(still) - min(still) > STAY_CENTS:
        return None
    frames = [*at[-BACK_HOPS:], *away_at]
    way = _way(np.array([*cents[-BACK_HOPS:], *away]), reference, jump)
    there = int(np.nonzero(way > ARRIVED_WAY)[0][0]) if (way > ARRIVED_WAY).any() else len(way) - 1
    here = np.nonzero(way[:there] < LEFT_WAY)[0]
    left, arrived = frames[here[-1]] if len(here) else frames[0], frames[there]
    another = abs(jump) >= STEP_CENTS or arrived - left <= QUICK_HOPS
    return Passage(reference, jump, left, arrived) if another else None


def _octave(jump: float) -> bool:
    """Whether a jump is as wide as an octave slip of the estimators."""
    least, near = OCTAVE_CENTS
    return abs(jump) > least and bool(abs(off_octave(jump)) < near)


def glide_end(passage: Passage, seen: Crossing, hop_s: float) -> int:
    """The frame after an audible glide."""
    if not seen.run:
        return passage.arrived
    return seen.run[-1] + round((1 - passage.middle()) / 2 * seen.seconds() / hop_s) + 1


def glide_s(passage: Passage, traces: Traces, hop_s: float) -> float:
    """How long a glide took, in seconds."""
    return cross(passage, traces, hop_s).seconds()


def cross(passage: Passage, traces: Traces, hop_s: float) -> Crossing:
    """How long the way took, as three ways of looking see it."""
    begin = max(passage.left - LOOK_HOPS, traces.first)
    stop = passage.arrived + LOOK_HOPS
    centre = (passage.left + passage.arrived) / 2 - begin
    fine = np.array(traces.cents(begin, stop))
    quick = passage.mended(np.array(traces.quick(begin, stop)), fine)
    run = [begin + k for k in _on_the_way(passage, quick, begin)]
    (quick_hops, quick_leap), (fine_hops, fine_leap) = (
        _crossing(passage.way(line), passage.edge(), centre) for line in (quick, fine)
    )
    run_s, quick_s, fine_s = (
        hops * hop_s / passage.middle() for hops in (len(run), quick_hops, fine_hops)
    )
    return Crossing(run, run_s, quick_s, fine_s, (quick_leap, fine_leap))


def _on_the_way(passage: Passage, quick: Floats, first: int) -> list[int]:
    """Places in a line, which begins at hop ``first``, of the frames in a row that are on the way
    from one pitch to the other.
    """
    way, edge = passage.way(quick), passage.edge()
    begin = max(passage.left - ABOUT_HOPS - first, 0)
    stop = passage.arrived + ABOUT_HOPS + 1 - first
    runs: list[list[int]] = [[]]
    for k, on_its_way in enumerate(((way > edge) & (way < 1 - edge))[begin:stop], begin):
        if on_its_way:
            runs[-1].append(k)
        elif runs[-1]:
            runs.append([])
    return max(runs, key=len)


def _crossing(way: Floats, edge: float, centre: float) -> tuple[float, float]:
    """Hops from one edge of the way to the other, between frames as well, and the share of the way
    from the last frame before its middle to the next; NaN: not to be seen.
    """
    hops = np.arange(len(way))
    heard = np.abs(way - 0.5) < SLIP_WAY
    if heard.sum() < SLIDE_HOPS:
        return np.nan, np.nan
    way = np.interp(hops, hops[heard], way[heard])
    middles = np.nonzero((way[:-1] < 0.5) & (way[1:] >= 0.5))[0]
    if len(middles) == 0:
        return np.nan, np.nan
    middle = int(middles[np.abs(middles - centre).argmin()])
    before = np.nonzero(way[: middle + 1] <= edge)[0]
    after = np.nonzero(way[middle + 1 :] >= 1 - edge)[0] + middle + 1
    low = int(before[-1]) if len(before) else 0
    high = int(after[0]) if len(after) else len(way) - 1
    left = low + (edge - way[low]) / (way[low + 1] - way[low]) if len(before) else low
    back = (way[high] - 1 + edge) / (way[high] - way[high - 1]) if len(after) else 0.0
    return float(high - back - left), float(way[middle + 1] - way[middle])
