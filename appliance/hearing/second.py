"""Is a second string sounding? What the partials of the pitch do not explain is searched again.

A double stop has no one pitch to measure, and a guess would be of either string. How many looks
must show the second string, and how often that is wrong: ``doubles.DOUBLED``.
"""

import numpy as np
from numpy.typing import NDArray

from appliance.hearing.cleaning import Cleaned
from appliance.hearing.grid import PitchGrid
from appliance.hearing.spectra import Spectrum, above, floor_of

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]
Flags = NDArray[np.bool_]

EVERY_HOPS = 8  # 80 ms: half of a note of 0.25 s is still two looks
# Of the lowest pitch, in the window: in a shorter one the first string's main lobes hide a low
# second one. Of 400 double stops on a double bass 22 were given a pitch with five periods, 1 with
# eight; with ten or more, strings that ring on are taken for double stops.
PERIODS = 8.0
LONGEST_S = 0.2  # a longer window hears the notes before and after
PADDING = 1.5  # of the window
MASK_LOBES = 1.1  # of half a main lobe about each partial of the first string
MASK_SHARE = 0.012  # and so much of its frequency: vibrato of 20 cents widens it
PARTIALS = 8  # compared: higher ones meet the first string's nearly everywhere
FEWEST = 2  # partials of the second string that stand out: one alone is a resonance
STANDS_DB = -30.0  # re the first string's loudest
# Two strings are within 10 dB; the softer one's bow sets in late and lets go early.
BELOW_DB = -18.0
# While the player sounds the gains stand still, and people do not: recorded tones under a drone of
# +6 dB left a third of its amplitude. A second string in unison with the drone must be louder.
DRONE_WEIGHT = 5.0
LEAST_SHOWN = 0.25  # of the first string's power: what partials are hidden is not all chance
# A fifth sounds like a pitch an octave below its lower string. In 6,000 looks at single notes the
# partials of neither had -26 dB and more of the others' power, in nearly all at fifths below -37.
LOWER, UPPER, OF_NEITHER = [1, 3, 7], 2, [0, 4, 6]  # the sixth is of both
NEITHER_DB = -30.0
NONE_DB = -99.0
NEIGHBOURS = np.array([-1, 0, 1])


class SecondPitch:
    """Looks for another pitch beside the one that was found; streaming.

    Parameters
    ----------
    span_hz : the lowest and the highest pitch that it may be
    rate_hz : sample rate of the sound
    hop : samples in a hop
    least_hops : the shortest window, in hops; the first pitch is centred in so long a one
    """

    def __init__(
        self, span_hz: tuple[float, float], rate_hz: float, hop: int, least_hops: int
    ) -> None:
        wanted = round(min(PERIODS / span_hz[0], LONGEST_S) * rate_hz / hop)
        hops = max(wanted, least_hops) | 1
        self._hop = hop
        self._late = (hops - least_hops) // 2
        self._line = np.zeros((hops - 1) * hop, np.float32)
        self._spectrum = Spectrum(hops * hop, PADDING, rate_hz)
        self._bin_hz = self._spectrum.bin_hz
        self._grid = PitchGrid(*span_hz, self._bin_hz)
        self._hz = np.arange(self._spectrum.bins) * self._bin_hz
        self._reach_hz = MASK_LOBES * self._spectrum.lobe_hz + MASK_SHARE * self._hz

    def hear(self, hz: Floats, samples: Floats32, cleaned: Cleaned) -> Floats:
        """Another pitch beside ``hz`` in every so many hops, and its power re the first, dB.

        ``samples`` are the next, ``EVERY_HOPS`` hops for each of ``hz``, and ``cleaned`` tells what
        may be left of a drone in them. Shape (n, 2) for ``hz`` of shape (n,).
        """
        line = np.concatenate([self._line, samples])
        self._line = line[len(samples) :]
        frames = self._spectrum.frames(line[self._late * self._hop :], EVERY_HOPS * self._hop)
        amplitude = self._spectrum.amplitude(self._spectrum.transform(frames))
        leftover = self._spectrum.leftover(cleaned.partial_hz, cleaned.leftover)
        return self._beside(hz, above(amplitude, floor_of(amplitude), leftover), leftover)

    def _beside(self, hz: Floats, amplitude: Floats32, leftover: Floats) -> Floats:
        """Another pitch beside ``hz``, shape (n,), and its power re the first, dB; (n, 2).

        Compared are partials of the same order, where those of the first do not hide the other's.
        ``amplitude`` has shape (n, bins), ``leftover`` (bins,).
        """
        hz = np.where(hz > 0, hz, 1e9)  # no first pitch: nothing is masked, and nothing compared
        amplitude = np.maximum(amplitude, 0.0)
        order = np.maximum(np.rint(self._hz / hz[:, None]), 1.0)
        own = np.abs(self._hz - order * hz[:, None]) < self._reach_hz
        rest = np.where(own | (amplitude < DRONE_WEIGHT * leftover), 0.0, amplitude)
        other_hz = self._grid.likeliest(self._grid.stand_out(rest))[: len(hz)]
        first = self._partials(amplitude, hz)
        db = self._beside_db(first, self._partials(rest, other_hz), own, other_hz)
        fifth_db = _fifth_db(first)
        fifth = fifth_db > BELOW_DB
        return np.stack([np.where(fifth, 3 * hz, other_hz), np.where(fifth, fifth_db, db)], axis=1)

    def _beside_db(self, first: Floats, other: Floats, own: Flags, other_hz: Floats) -> Floats:
        """Power of the ``other`` pitch's partials re the first's; both (n, PARTIALS)."""
        loudest = first.max(1)
        told = (loudest > 0) & ((other > _per(loudest, STANDS_DB)[:, None]).sum(1) >= FEWEST)
        shown = self._partials(np.where(own, 0.0, 1.0), other_hz) > 0.0
        beside = np.maximum((first * shown).sum(1), LEAST_SHOWN * first.sum(1))
        return np.where(told, _db(other.sum(1), beside), NONE_DB)

    def _partials(self, amplitude: Floats | Floats32, hz: Floats) -> Floats:
        """Power of the partials of ``hz``, shape (n, PARTIALS)."""
        order = np.arange(1, PARTIALS + 1)
        at = np.nan_to_num(hz)[:, None] * order / self._bin_hz
        inside = (at > 1) & (at < amplitude.shape[1] - 2)
        bins = np.rint(np.where(inside, at, 1.0)).astype(np.intp)
        near = bins[:, :, None] + NEIGHBOURS  # the grid is coarser than the bins
        found = amplitude[np.arange(len(hz))[:, None, None], near].max(2)
        return np.where(inside, found**2, 0.0)


def _fifth_db(partials: Floats) -> Floats:
    """How loud the upper string of a fifth is, re the lower, where ``partials`` (n, PARTIALS) are
    of no pitch but of both strings, heard as their difference; else ``NONE_DB``.

    The second and the third partial of a pitch that nobody plays, and the harmonics of these, are
    heard as that pitch; what is a harmonic of neither is not there.
    """
    lower, upper = partials[:, LOWER].sum(1), partials[:, UPPER]
    missing = partials[:, OF_NEITHER].sum(1) < _per(lower + upper, NEITHER_DB)
    return np.where(missing & (lower > 0), _db(upper, lower), NONE_DB)


def _per(power: Floats, db: float) -> Floats:
    return power * 10 ** (db / 10)


def _db(power: Floats, re: Floats) -> Floats:
    return np.asarray(10 * np.log10((power + 1e-30) / (re + 1e-30)))
