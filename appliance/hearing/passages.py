"""Passages: the pitch leaves one note and stays at another, with an audible glide or without."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from appliance.hearing.traces import Traces
from appliance.tuning import off_octave

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
# A finger that falls takes a legato step in up to 40 ms, a slide takes 60 and more. On recorded
# tones (tests/bench, tuning seeds) both rules together took 15 of 580 steps for slides, either
# alone three times as many; one slide in 19 was lost.
SLIDE_HOPS = 3  # in fewer frames on the way no glide is heard
SLIDE_S = 0.055
ABOUT_HOPS = 4  # about the frames between which the pitch changed
LOOK_HOPS = 12  # how far a glide may reach beyond them
EDGE_CENTS = 12.0  # nearer to either pitch the estimate may belong to it: vibrato
SLIDE_EDGES = 0.12, 0.25  # the same as a share of the way: at least, at most
SLIP_WAY = 1.2  # no reading that belongs to a glide lies so far from the middle of the way
SHORT_S = 0.01  # glides of recorded tones are read so much too short (tests/bench, tuning seeds)


@dataclass(frozen=True, slots=True)
class Passage:
    """From one pitch to another: ``left`` is the last frame at the old, ``arrived`` the first."""

    reference: float  # cents
    jump: float  # cents
    left: int
    arrived: int

    def multiple(self) -> float | None:
        """The octaves or the twelfth that the jump is near to, in cents; ``None``: another."""
        near = [m for m in MULTIPLES_CENTS if abs(abs(self.jump) - m) < MULTIPLE_CENTS]
        return float(np.copysign(near[0], self.jump)) if near else None

    def way(self, cents: Floats) -> Floats:
        """How far from the old pitch (0) to the new (1)."""
        return _way(cents, self.reference, self.jump)

    def edge(self) -> float:
        """Share of the way that belongs to either pitch and its unsteadiness."""
        return float(np.clip(EDGE_CENTS / abs(self.jump), *SLIDE_EDGES))

    def middle(self) -> float:
        """Share of its time that a half-cosine glide is not in the edges."""
        return 1.0 - 2.0 * float(np.arccos(1.0 - 2.0 * self.edge())) / np.pi


class Glide(NamedTuple):
    """An audible glide: how long it took, and the frame after its end."""

    seconds: float
    end: int


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


def heard_glide(passage: Passage, traces: Traces, hop_s: float) -> Glide | None:
    """The glide of a passage; ``None`` where the pitch stepped."""
    run = _on_the_way(passage, traces)
    if len(run) < SLIDE_HOPS:
        return None
    begin = max(passage.left - LOOK_HOPS, traces.first)
    stop = passage.arrived + LOOK_HOPS
    centre = (passage.left + passage.arrived) / 2 - begin
    quick, fine = (
        _crossing(passage.way(np.array(line)), passage.edge(), centre)
        for line in (traces.quick(begin, stop), traces.cents(begin, stop))
    )
    middle = passage.middle()
    if quick * hop_s / middle < SLIDE_S:
        return None
    known = [hops for hops in (len(run), quick, fine) if not np.isnan(hops)]
    seconds = float(np.median(known)) * hop_s / middle + SHORT_S
    return Glide(seconds, run[-1] + round((1 - middle) / 2 * seconds / hop_s) + 1)


def _on_the_way(passage: Passage, traces: Traces) -> list[int]:
    """Frames in a row in which the quick estimate is on its way from one pitch to the other."""
    begin = max(passage.left - ABOUT_HOPS, traces.first)
    way = passage.way(np.array(traces.quick(begin, passage.arrived + ABOUT_HOPS + 1)))
    edge = passage.edge()
    runs: list[list[int]] = [[]]
    for k, on_its_way in enumerate((way > edge) & (way < 1 - edge), begin):
        if on_its_way:
            runs[-1].append(k)
        elif runs[-1]:
            runs.append([])
    return max(runs, key=len)


def _crossing(way: Floats, edge: float, centre: float) -> float:
    """Hops from one edge of the way to the other, between frames as well; NaN: not to be seen."""
    hops = np.arange(len(way))
    heard = np.abs(way - 0.5) < SLIP_WAY
    if heard.sum() < SLIDE_HOPS:
        return float("nan")
    way = np.interp(hops, hops[heard], way[heard])
    middles = np.nonzero((way[:-1] < 0.5) & (way[1:] >= 0.5))[0]
    if len(middles) == 0:
        return float("nan")
    middle = int(middles[np.abs(middles - centre).argmin()])
    before = np.nonzero(way[: middle + 1] <= edge)[0]
    after = np.nonzero(way[middle + 1 :] >= 1 - edge)[0] + middle + 1
    low = int(before[-1]) if len(before) else 0
    high = int(after[0]) if len(after) else len(way) - 1
    left = low + (edge - way[low]) / (way[low + 1] - way[low]) if len(before) else low
    back = (way[high] - 1 + edge) / (way[high] - way[high - 1]) if len(after) else 0.0
    return float(high - back - left)
