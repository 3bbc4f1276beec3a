"""Beats as a check of the whole chain: what any ear hears at the microphone, ours reads in cents.

Where a note is five cents above a pure interval to the drone, the lowest partial that both share
beats: partial k of the drone at k · 220 Hz · (2^(5/1200) − 1), so at 0.64 Hz in unison (k = 1),
1.91 at the fifth (3), 2.55 at the fourth (4) and 3.18 at the just major third (5).

The drone leaves gaps above its sixth partial where the timbre is "clear": it beats as a drone does.
"""

import numpy as np
import pytest

from appliance.settings import TIMBRES
from appliance.tuning import note_hz, parse_note
from tests.bench.beats import INTERVALS as BEATING
from tests.bench.beats import LOWEST_ROOTS, depth, depths, ear_score, note, on_loudspeaker, played
from tests.waves import (
    RATE_HZ,
    Audio,
    Walls,
    bowed,
    cents_between,
    drone_sound,
    heard,
    rest,
    sharp,
    steady,
    tone,
    with_noise,
)

A3 = 220.0
BEGIN_S, PLAYED_S = 2.0, 6.0
SHARP_CENTS = 5.0
INTERVALS = [  # ratio to the drone, the drone's partial that coincides, beats in Hz
    pytest.param(1 / 1, 1, 0.64, id="unison"),
    pytest.param(3 / 2, 3, 1.91, id="fifth"),
    pytest.param(4 / 3, 4, 2.55, id="fourth"),
    pytest.param(5 / 4, 5, 3.18, id="major-third"),
]


def at_microphone(ratio: float, cents: float) -> tuple[Audio, Audio]:
    """The real drone through a room, and somebody who plays a long note to it; mic and sent."""
    stroke = bowed(tone(steady(sharp(A3 * ratio, cents), PLAYED_S)))
    dry = np.concatenate([rest(BEGIN_S), stroke, rest(1.0)])
    sent = drone_sound(A3, len(dry) / RATE_HZ)
    return with_noise(Walls(distortion=0.01).back(sent) + dry), sent


def beat_hz(mic: Audio, partial_hz: float) -> float:
    """How often the power of the band around ``partial_hz`` comes and goes."""
    span = slice(int((BEGIN_S + 0.5) * RATE_HZ), int((BEGIN_S + PLAYED_S - 0.5) * RATE_HZ))
    time_s = np.arange(span.stop - span.start) / RATE_HZ
    block = int(0.02 * RATE_HZ)  # turned to 0 Hz and taken over 1/50 s: 220 Hz away is gone
    turned = mic[span] * np.exp(-2j * np.pi * partial_hz * time_s)
    band = turned[: len(turned) // block * block].reshape(-1, block).mean(1)
    band = np.convolve(band, np.hanning(7)[1:-1] / 3, "valid")
    power = np.abs(band) ** 2
    spectrum = np.abs(np.fft.rfft((power - power.mean()) * np.hanning(len(power)), 1 << 15))
    return float(spectrum.argmax() / (1 << 15) / 0.02)


@pytest.mark.parametrize(("ratio", "partial", "beats_hz"), INTERVALS)
def test_the_shared_partial_beats(ratio: float, partial: int, beats_hz: float) -> None:
    mic, _ = at_microphone(ratio, SHARP_CENTS)
    assert beat_hz(mic, partial * A3) == pytest.approx(beats_hz, rel=0.02)


@pytest.mark.parametrize("ratio", [1 / 1, 5 / 4])
def test_twice_as_sharp_beats_twice_as_fast(ratio: float) -> None:
    partial = 5 if ratio > 1 else 1
    five, ten = (beat_hz(at_microphone(ratio, c)[0], partial * A3) for c in (5.0, 10.0))
    assert ten / five == pytest.approx(2.0, rel=0.02)


@pytest.mark.parametrize(("ratio", "partial", "beats_hz"), INTERVALS)
def test_the_ear_reads_what_beats(ratio: float, partial: int, beats_hz: float) -> None:
    notes = heard(*at_microphone(ratio, SHARP_CENTS))
    assert len(notes) == 1
    (note,) = notes
    assert note.landing_hz is not None
    assert note.settled_hz is not None
    assert note.drone_hz == pytest.approx(A3, rel=1e-6)
    for hz in (note.landing_hz, note.settled_hz):
        assert cents_between(hz, A3 * ratio) == pytest.approx(SHARP_CENTS, abs=1.0)
    # and so the beats follow from what is read
    assert (note.settled_hz / ratio - A3) * partial == pytest.approx(beats_hz, rel=0.1)


# -- a drone with gaps --------------------------------------------------------------------------


def test_two_equal_sines_beat_as_deep_as_can_be() -> None:
    # |cos x| = 2/π + 4/(3π) cos 2x − …: 4/(3π) over 2/π is 2/3
    seconds = 5 / (sharp(A3, SHARP_CENTS) - A3)
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    mix = sum(np.sin(2 * np.pi * hz * time_s) for hz in (A3, sharp(A3, SHARP_CENTS)))
    assert depth(np.asarray(mix), A3, "unison").lowest == pytest.approx(2 / 3, abs=0.02)


def test_one_tone_alone_does_not_beat() -> None:
    alone = note(sharp(A3, SHARP_CENTS), 5 / 0.64, None)
    assert depth(alone, A3, "unison").all < 0.02
    assert depth(played(A3, "clear", 5 / 0.64), A3, "unison").lowest < 0.02


@pytest.mark.parametrize("interval", BEATING)
@pytest.mark.parametrize("root", ["C2", "A3", "E4"])
def test_a_drone_with_gaps_beats_at_least_half_as_deep(root: str, interval: str) -> None:
    plain, clear = depths(note_hz(parse_note(root)), interval)
    assert plain.lowest > 0.1
    assert clear.lowest >= 0.9 * plain.lowest
    assert clear.all >= 0.5 * plain.all


@pytest.mark.parametrize("interval", BEATING)
def test_it_does_so_against_a_recorded_note(interval: str) -> None:
    plain, clear = depths(A3, interval, "viola")
    assert plain.lowest > 0.2
    assert clear.lowest >= 0.8 * plain.lowest
    assert clear.all >= 0.5 * plain.all


@pytest.mark.parametrize("timbre", TIMBRES)
@pytest.mark.parametrize("root", LOWEST_ROOTS)
def test_a_small_loudspeaker_carries_the_lowest_drones(root: str, timbre: str) -> None:
    was = on_loudspeaker(note_hz(parse_note(root)), timbre)
    assert was.share > 0.7
    assert len(was.heard_hz) >= 10  # more than the six that beat
    assert was.heard_hz.max() > 700.0


@pytest.mark.parametrize("octaves", [0, 1])
@pytest.mark.parametrize("timbre", TIMBRES)
def test_the_ear_hears_through_every_timbre(timbre: str, octaves: int) -> None:
    score = ear_score(timbre, "viola", octaves, level_db=0.0, notes=8, seed=7)
    assert score.found == score.true
    assert score.landing(95) < 4.0
    assert score.slope() == pytest.approx(1.0, abs=0.1)
