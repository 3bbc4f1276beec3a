"""``python -m tests.bench.beats``: how a drone with gaps beats, and what a loudspeaker plays of it.

"Plain" is the timbre ``reed``, "clear" the same with gaps above the sixth partial, at the same RMS.
A note sounds 5 cents above a just interval to the drone, both at −24 dBFS; the drone comes from a
loudspeaker that starts at 150 Hz. Where partial p of the drone meets partial q of the note, and
wherever their multiples meet, a band as wide as the drone's root beats. Its depth is the component
of its envelope at its beat rate over the envelope's mean: 0.67 for two equal sines, 0 for one.

"lowest" is the band where p meets q. "all" is the mean over all bands in which a plain drone has a
partial, each weighted by its envelope's mean; the bands in the gaps count, with nothing that beats.

With ``--ear N`` the ear hears N recorded notes in unison and at the octave through either drone.
"""

import argparse
import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from appliance.practice.drone import Drone
from appliance.practice.tone import MOST_PARTIALS, Tone
from appliance.settings import TIMBRES, DroneSettings
from appliance.tuning import note_hz, parse_note
from tests.tones import RANGES, PlannedNote, Score, match, render
from tests.truths import Audio, hz_of
from tests.waves import PLAYED_DB, RATE_HZ, Walls, heard, sharp, steady, tone, with_noise

PLAIN, CLEAR = "reed", "clear"
INTERVALS = {  # the partials of drone and note that meet first
    "unison": (1, 1),
    "octave": (2, 1),
    "fifth": (3, 2),
    "major third": (5, 4),
}
OFF_CENTS = 5.0
HIGHEST_HZ = 8000.0
BEATS = 4  # over which a depth is taken, at least; half a beat more on either side is not used
STEP_S = 1.6  # lengths of 2^a · 3 · 5^b · (a few) frames, which the FFT takes quickly
ROOTS = (("C1", None), ("C2", None), ("A3", None), ("E4", None))
RECORDED_ROOTS = (("C2", "cello"), ("A2", "trombone"), ("A3", "viola"), ("E4", "violin"))

LOUDSPEAKER_HZ = 150.0
LOWEST_ROOTS = ("C1", "E1", "C2")
HEARD_AT_DB = 60.0  # sound pressure level of the whole drone at the ear: soft practice
WITHIN_DB = 30.0
# Hz and dB SPL: threshold of hearing, ISO 226 (2003); from memory.
_THRESHOLD: dict[float, float] = {
    **{25: 68.7, 31.5: 59.5, 40: 51.1, 50: 44.0, 63: 37.5, 80: 31.5, 100: 26.5, 125: 22.1},
    **{160: 17.9, 200: 14.4, 250: 11.4, 315: 8.6, 400: 6.2, 500: 4.4, 630: 3.0, 800: 2.2},
    **{1000: 2.4, 1250: 3.5, 1600: 1.7, 2000: -1.3, 2500: -4.2, 3150: -6.0, 4000: -5.4},
    **{5000: -1.5, 6300: 6.0, 8000: 12.6},
}

EAR_SEED = 9500  # for reports only
EAR_INSTRUMENTS = ("violin", "viola", "cello", "trombone")
EAR_LEVELS_DB = (6.0, 12.0)
EAR_TAKE_NOTES = 20


# -- beats --------------------------------------------------------------------------------------


def loudspeaker(hz: Audio) -> NDArray[np.complex128]:
    """Gain, complex, of a second-order Butterworth high-pass: 12 dB an octave below 150 Hz."""
    ratio = hz / LOUDSPEAKER_HZ
    return np.asarray(-(ratio**2) / (1.0 - ratio**2 + 1j * np.sqrt(2.0) * ratio))


def played(root_hz: float, timbre: str, seconds: float) -> Audio:
    """The real drone at full level, as the loudspeaker plays it; shape (n,)."""
    drone = Drone(DroneSettings(timbre=timbre, level_dbfs=PLAYED_DB), RATE_HZ)
    drone.set_root(root_hz)
    drone.start()
    drone.sound(int(RATE_HZ))
    sent = drone.sound(round(seconds * RATE_HZ)).astype(np.float64)
    return through_loudspeaker(sent)


def through_loudspeaker(sent: Audio) -> Audio:
    """What the loudspeaker makes of ``sent``; shape (n,)."""
    size = 1 << len(sent).bit_length()
    hz = np.fft.rfftfreq(size, 1 / RATE_HZ).astype(np.float64)
    spectrum = np.asarray(np.fft.rfft(sent, size), np.complex128)
    return np.asarray(np.fft.irfft(spectrum * loudspeaker(hz), size)[: len(sent)])


def note(hz: float, seconds: float, instrument: str | None) -> Audio:
    """A steady note, synthetic or (given an instrument) recorded, at −24 dBFS; shape (n,)."""
    if instrument is None:
        return tone(steady(hz, seconds))
    midi = round(69 + 12 * np.log2(hz / 440.0))
    cents = 1200 * np.log2(hz / hz_of(midi))
    plan = PlannedNote(midi, landing_cents=cents, settled_cents=cents, duration_s=seconds + 1.0)
    sound = render([plan], instrument, RATE_HZ)[0][int(RATE_HZ) :][: round(seconds * RATE_HZ)]
    return np.asarray(sound * 10 ** (PLAYED_DB / 20) / np.sqrt(np.mean(sound**2)))


@dataclass(frozen=True)
class Depth:
    """Modulation depth of the lowest band that beats, and the weighted mean of all."""

    lowest: float
    all: float


def depth(mix: Audio, root_hz: float, interval: str) -> Depth:
    """How deep ``mix``, a drone and a note 5 cents above ``interval``, beats."""
    partial = INTERVALS[interval][0]
    beat_hz = sharp(partial * root_hz, OFF_CENTS) - partial * root_hz
    spectrum, seconds = np.asarray(np.fft.rfft(mix), np.complex128), len(mix) / RATE_HZ
    most = int(min(MOST_PARTIALS, HIGHEST_HZ / root_hz)) // partial
    found = np.array(
        [
            _band(spectrum, seconds, m * partial * root_hz, root_hz, m * beat_hz)
            for m in range(1, most + 1)
        ]
    )
    return Depth(float(found[0, 0]), float(np.average(found[:, 0], weights=found[:, 1])))


def _band(
    spectrum: NDArray[np.complex128], seconds: float, hz: float, width_hz: float, beat_hz: float
) -> tuple[float, float]:
    """Depth at ``beat_hz`` and mean of the envelope of the band around ``hz``."""
    low, high = (round((hz + side * width_hz / 2) * seconds) for side in (-1, 1))
    envelope = np.abs(np.fft.ifft(spectrum[low:high])) * (high - low)
    edge = len(envelope) // (2 * (BEATS + 1))  # the cut at both ends rings
    envelope = envelope[edge:-edge]
    beats = beat_hz * seconds / (high - low)  # cycles a sample
    # Recorded tones are a little off their plan: the largest component within a quarter of it.
    near = np.linspace(0.75 * beats, 1.25 * beats, 1 + 2 * int(beats * len(envelope)))
    taper = np.hanning(len(envelope))
    mean = float(np.average(envelope, weights=taper))
    turns = np.exp(-2j * np.pi * np.outer(near, np.arange(len(envelope))))
    swing = np.abs(turns @ ((envelope - mean) * taper)).max() / taper.sum()
    return float(2 * swing / mean), mean


def depths(root_hz: float, interval: str, instrument: str | None = None) -> tuple[Depth, Depth]:
    """Of the plain drone and of the one with gaps, against the same note."""
    partial, of_note = INTERVALS[interval]
    at_hz = sharp(root_hz * partial / of_note, OFF_CENTS)
    seconds = (BEATS + 1) / (sharp(partial * root_hz, OFF_CENTS) - partial * root_hz)
    seconds = STEP_S * np.ceil(seconds / STEP_S)
    sound = note(at_hz, seconds, instrument)
    mixes = (sound + played(root_hz, timbre, seconds) for timbre in (PLAIN, CLEAR))
    plain, clear = (depth(mix, root_hz, interval) for mix in mixes)
    return plain, clear


def print_beats() -> None:
    """One line for each interval and root, with a synthetic and with a recorded note."""
    print(f"{'':32}{'lowest':^22}{'all':^22}")
    print(
        f"{'interval':12} {'root':5} {'note':12}  {'plain clear ratio':22}{'plain clear ratio':22}"
    )
    for interval in INTERVALS:
        for name, instrument in ROOTS + RECORDED_ROOTS:
            plain, clear = depths(note_hz(parse_note(name)), interval, instrument)
            print(
                f"{interval:12} {name:5} {instrument or 'synthetic':12}  "
                f"{plain.lowest:5.2f} {clear.lowest:5.2f} {clear.lowest / plain.lowest:5.2f}     "
                f"{plain.all:5.2f} {clear.all:5.2f} {clear.all / plain.all:5.2f}",
                flush=True,
            )


# -- loudspeaker --------------------------------------------------------------------------------


@dataclass(frozen=True)
class Played:
    """What a loudspeaker that starts at 150 Hz plays of a drone."""

    sent_share: float  # of the power sent that lies above 150 Hz
    share: float  # of the power played that lies above 150 Hz
    heard_hz: Audio  # partials within 30 dB of the strongest and above the threshold of hearing
    partials: int


def on_loudspeaker(root_hz: float, timbre: str) -> Played:
    """Levels of a drone that is played at 60 dB SPL in all."""
    partials = Tone(root_hz, timbre, "nothing", PLAYED_DB, RATE_HZ).partials
    hz = np.array([p.hz for p in partials])
    sent = np.array([p.amplitude**2 for p in partials])
    power = sent * np.abs(loudspeaker(hz)) ** 2
    level_db = HEARD_AT_DB + 10 * np.log10(power / power.sum())
    threshold_db = np.interp(np.log(hz), np.log([*_THRESHOLD]), [*_THRESHOLD.values()])
    audible = (level_db > level_db.max() - WITHIN_DB) & (level_db > threshold_db)
    above = hz >= LOUDSPEAKER_HZ
    sent_share, share = (float(p[above].sum() / p.sum()) for p in (sent, power))
    return Played(sent_share, share, hz[audible], len(hz))


def print_loudspeaker() -> None:
    """One line for each of the lowest roots and each timbre."""
    print("\nroot  timbre  power above 150 Hz: sent, played   partials heard   highest heard")
    for name in LOWEST_ROOTS:
        for timbre in TIMBRES:
            was = on_loudspeaker(note_hz(parse_note(name)), timbre)
            print(
                f"{name:5} {timbre:7} {was.sent_share:24.0%} {was.share:7.0%}    "
                f"{len(was.heard_hz):6d} of {was.partials:2d} {was.heard_hz.max():12.0f} Hz"
            )


# -- the ear ------------------------------------------------------------------------------------


def _plan(rng: np.random.Generator, midi: int, notes: int) -> list[PlannedNote]:
    """Separate strokes on one note, each up to 40 cents off and then left there."""
    plan = []
    for _ in range(notes):
        off, seconds, gap = rng.uniform([-40.0, 0.5, 0.5], [40.0, 1.2, 0.9])
        level_db = rng.uniform(-4.0, 4.0)
        plan.append(PlannedNote(midi, off, off, seconds, gap_s=gap, level_db=level_db))
    return plan


def ear_score(
    timbre: str, instrument: str, octaves: int, *, level_db: float, notes: int, seed: int
) -> Score:
    """The ear's notes against the true ones, in a room where people move (−25 dB)."""
    rng = np.random.default_rng(seed)
    root = RANGES[instrument][0] + int(rng.integers(2, 8))
    plan = _plan(rng, root + 12 * octaves, notes)
    dry, truths = render(plan, instrument, RATE_HZ, lead_in_s=4.0)
    drone = Drone(DroneSettings(timbre=timbre, level_dbfs=PLAYED_DB), RATE_HZ)
    drone.set_root(hz_of(root))
    drone.start()
    sent = drone.sound(len(dry)).astype(np.float64)
    back = Walls(distortion=0.01, movement_db=-25.0, seed=seed).back(through_loudspeaker(sent))
    back *= 10 ** ((PLAYED_DB + level_db) / 20) / np.sqrt(np.mean(back**2))
    return match(heard(with_noise(dry + back, -60.0, seed), sent, instrument), truths)


def print_ear(notes: int) -> None:
    """One line for each level, interval and timbre; the same players and rooms for both."""
    print(f"\nthe ear, recorded tones, seeds from {EAR_SEED}")
    each = max(notes // len(EAR_INSTRUMENTS), 1)
    for level_db, octaves in itertools.product(EAR_LEVELS_DB, (0, 1)):
        for timbre in (PLAIN, CLEAR):
            pool = Score()
            for at in range(0, each, EAR_TAKE_NOTES):
                for number, instrument in enumerate(EAR_INSTRUMENTS):
                    seed, count = EAR_SEED + at + number, min(EAR_TAKE_NOTES, each - at)
                    take = ear_score(
                        timbre, instrument, octaves, level_db=level_db, notes=count, seed=seed
                    )
                    pool.add(take)
            interval = ("unison", "octave")[octaves]
            print(
                f"{level_db:+3.0f} dB  {interval:6}  {timbre:6} {pool.true:4d} notes  "
                f"found {pool.found / pool.true:6.1%}  invented {len(pool.invented):3d}  "
                f"landing {pool.landing():5.2f} /{pool.landing(95):6.2f}  "
                f"slope {pool.slope():5.3f}",
                flush=True,
            )


def main() -> None:
    """Read the options and print the tables."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.beats", description=__doc__)
    parser.add_argument("--ear", type=int, default=0, metavar="N", help="notes a row; 0: leave out")
    options = parser.parse_args()
    print_beats()
    print_loudspeaker()
    if options.ear:
        print_ear(options.ear)


if __name__ == "__main__":
    main()
