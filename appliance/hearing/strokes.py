"""Strokes: where the bow stopped and set in again, read from the level in bands.

Vibrato makes single partials come and go as they pass the body's resonances, so that the level of
recorded tones swings by 6 to 9 dB; only a bow that stops takes all bands down together.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from appliance.hearing.traces import Traces

Floats = NDArray[np.float64]

ATTACK_PASSED_HOPS = 10  # what an attack does to the level is no stroke
STROKE_HOPS = 32  # on one pitch strokes come no faster: what does is a tremolo, or a beat
# A re-articulation, told from the flutter of vibrato on recorded tones (tests/bench): 95 % of 248
# dips of 6 to 20 dB kept, 3 of 1,086 flutters taken for one.
DIP_DB = 5.0  # as the room fills it: 6 at the string
DIP_EVERY_BAND_DB = 2.5  # all bands that sound fall by this at least
DIP_RISE_DB = 3.5  # the new stroke sets in: so much
DIP_RISE_HOPS = 4  # within so short a time
DIP_FALL_HOPS = 12  # the room may ring on into the dip
DIP_AFTER_HOPS = 18  # how long after the bottom it is judged: one cycle of vibrato
FLUTTER_HOPS = (7, 25)  # from the bottom, both ways: where the tone's own flutter shows
FLUTTER_DB = 3.3  # a re-articulation is deeper than the flutter around it by this
ACTIVE_DB = 12.0  # bands this far below the loudest hold noise rather than partials
FEW = 2  # hops, of which the mean is less chance than the loudest and the softest
CHANGE_HOPS = 6  # about the frames between which the pitch changed


class Dip(NamedTuple):
    """Where the sound was softest between two notes: the hop, and by how many dB.

    ``depth_db`` is counted from the mean of both notes, which differ in loudness,
    ``every_band_db`` is what that band falls which falls least.
    """

    low: int
    depth_db: float
    every_band_db: float


def stopped(traces: Traces, start: int, centre: int) -> bool:
    """Whether the bow stopped at hop ``centre`` of a note that began at ``start``.

    That is a dip, quickly left, in all bands at once, and deeper than the flutter around it.
    """
    if centre - start < STROKE_HOPS:
        return False
    (level,) = traces.level(centre, centre + 1)
    if level > min(traces.level(centre - 3, centre + DIP_RISE_HOPS)):
        return False
    rise = max(traces.level(centre, centre + DIP_RISE_HOPS + 1)) - level
    if rise < DIP_RISE_DB or _flutters(traces, start, centre, level):
        return False
    begin, stop = max(centre - DIP_FALL_HOPS, start), centre + DIP_FALL_HOPS + 1
    depth = min(max(traces.level(begin, centre)), max(traces.level(centre, stop))) - level
    bottom = traces.bands(centre - 1, centre + 2)
    least = _least_fall(traces.bands(begin, centre), bottom, traces.bands(centre, stop))
    return depth >= DIP_DB and least >= DIP_EVERY_BAND_DB


def _flutters(traces: Traces, start: int, centre: int, level: float) -> bool:
    """Whether the level goes as low nearby, as it does again and again under vibrato."""
    near, far = FLUTTER_HOPS
    steady = start + ATTACK_PASSED_HOPS
    around = traces.level(max(centre - far, steady), max(centre - near, steady))
    around = around + traces.level(centre + near, centre + far)
    return bool(around) and min(around) - level < FLUTTER_DB


def dip(traces: Traces, left: int, arrived: int) -> Dip:
    """The dip between two pitches: it was last the old one at hop ``left`` and first the new one at
    ``arrived``.
    """
    begin, stop = max(left - CHANGE_HOPS, traces.first), arrived + CHANGE_HOPS + 1
    levels, bands = np.array(traces.level(begin, stop)), traces.bands(begin, stop)
    low = int(levels.argmin())
    loud = np.sort(levels[: low + 1])[-FEW:].mean(), np.sort(levels[low:])[-FEW:].mean()
    depth = sum(loud) / 2 - np.sort(levels)[:FEW].mean()
    return Dip(begin + low, float(depth), _least_fall(bands[: low + 1], bands, bands[low:]))


def _least_fall(before: list[Floats], bottom: list[Floats], after: list[Floats]) -> float:
    """By how much that band falls which falls least, of those that sound; dB."""
    peaks = np.minimum(np.max(before, 0), np.max(after, 0))
    active = peaks > peaks.max() - ACTIVE_DB
    return float((peaks - np.min(bottom, 0))[active].min())
