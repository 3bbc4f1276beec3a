"""aubio pinned, and the ear's own frames beside it: cents off on tones whose pitch is known."""

import aubio
import numpy as np
import pytest

from appliance.hearing.cleaning import Cleaner
from appliance.hearing.pitch import Frames, PitchTracker
from appliance.hearing.second import BELOW_DB
from appliance.instruments import INSTRUMENTS
from appliance.tuning import off_octave
from tests.waves import Audio, cents_between, rest, sharp, steady, tone, with_noise

RATE_HZ = 24000.0  # near which the ear works
HOPS = 8
SETTLE_HOPS = 45  # the longest window, and the estimators' delay
PURE, HARMONIC = 1, 20
# An instrument that plays it for every pitch, from the bass's E1 up
PITCHES = (
    ("double-bass", 41.203),
    ("double-bass", 55.0),
    ("cello", 65.406),
    ("cello", 98.0),
    ("viola", 130.81),
    ("viola", 196.0),
    ("violin", 329.63),
    ("violin", 440.0),
    ("violin", 659.255),
    ("violin", 880.0),
    ("flute", 1046.5),
    ("violin", 1300.0),
)


def tracked(sound: Audio, instrument: str) -> list[Frames]:
    tracker = PitchTracker(INSTRUMENTS[instrument], RATE_HZ, HOPS)
    cleaner = Cleaner(RATE_HZ, tracker.hop, HOPS)
    chunk = HOPS * tracker.hop
    chunks = sound[: len(sound) // chunk * chunk].reshape(-1, chunk)
    return [tracker.track(cleaner.clean(part, np.zeros(chunk))) for part in chunks]


def errors(hz: float, partials: int, instrument: str) -> tuple[Audio, Audio]:
    """Cents off of the ear's frames, and of what aubio alone read in them."""
    sound = with_noise(tone(steady(hz, 0.96, RATE_HZ), RATE_HZ, partials=partials), -90.0)
    frames = tracked(sound, instrument)
    ear, alone = (
        1200 * np.log2(np.concatenate([getattr(f, name) for f in frames])[SETTLE_HOPS:] / hz)
        for name in ("f0_hz", "quick_hz")
    )
    return ear, alone


@pytest.mark.parametrize("partials", [PURE, HARMONIC])
@pytest.mark.parametrize(("instrument", "hz"), PITCHES)
def test_the_ears_frames_are_within_a_cent(instrument: str, hz: float, partials: int) -> None:
    ear, _ = errors(hz, partials, instrument)
    assert np.all(np.abs(ear) < 1.0), f"{np.median(ear):+.2f} cents"  # nan fails, too


@pytest.mark.parametrize("partials", [PURE, HARMONIC])
@pytest.mark.parametrize(("instrument", "hz"), PITCHES)
def test_aubio_in_the_ear_reads_as_measured(instrument: str, hz: float, partials: int) -> None:
    # Measured here: within 0.14 up to 440 Hz; at 24 kHz a lag is 63 cents of 880 Hz, and the
    # parabola between lags leaves up to 3.1 cents of a bright tone there.
    _, alone = errors(hz, partials, instrument)
    assert np.all(np.abs(alone) < (0.25 if hz <= 440 else 3.5)), f"{np.median(alone):+.2f} cents"


@pytest.mark.parametrize("hz", [98.0, 196.0])
def test_the_ear_does_not_use_the_method_that_reads_sharp(hz: float) -> None:
    # aubio's default reads a pure 196 Hz 20 cents sharp and 98 Hz 101 cents (the design's figures;
    # and see the next test); the longer window at 98 Hz makes that less, still far from a cent.
    for instrument in ("cello", "viola"):
        if hz > 130 or instrument == "cello":
            _, alone = errors(hz, PURE, instrument)
            assert np.all(np.abs(alone) < 0.1)


def aubio_alone(method: str, hz: float) -> float:
    """Cents off of a bare aubio method on a pure tone: window 2048, 44.1 kHz as in the design."""
    sound = tone(steady(hz, 0.8, 44100.0), 44100.0, partials=PURE).astype(np.float32)
    pitch = aubio.pitch(method, 2048, 512, 44100)
    pitch.set_unit("Hz")
    blocks = sound[: len(sound) // 512 * 512].reshape(-1, 512)
    return cents_between(float(np.median([pitch(block)[0] for block in blocks])), hz)


@pytest.mark.parametrize("method", ["default", "yinfft"])
@pytest.mark.parametrize(("hz", "sharp_by"), [(196.0, 20.0), (98.0, 101.0)])
def test_the_default_method_still_reads_sharp(method: str, hz: float, sharp_by: float) -> None:
    # The design's figures. If a new aubio mends this, the reason for the choice is gone.
    assert aubio_alone(method, hz) == pytest.approx(sharp_by, abs=1.0)


@pytest.mark.parametrize("hz", [98.0, 130.81, 196.0, 440.0, 880.0, 1300.0])
def test_the_chosen_method_is_within_what_the_design_measured(hz: float) -> None:
    assert abs(aubio_alone("yinfast", hz)) < 0.75  # the design: within 0.7 on clean tones


def test_ten_cents_are_ten_cents() -> None:
    low, high = (
        np.median(np.concatenate([f.f0_hz for f in tracked(sound, "viola")])[SETTLE_HOPS:])
        for sound in (
            tone(steady(sharp(220.0, cents), 0.96, RATE_HZ), RATE_HZ) for cents in (0.0, 10.0)
        )
    )
    assert cents_between(float(high), float(low)) == pytest.approx(10.0, abs=0.05)


def test_noise_has_no_pitch() -> None:
    noise = np.concatenate(
        [f.f0_hz for f in tracked(with_noise(rest(2.0, RATE_HZ), -40.0), "viola")]
    )
    sound = tone(steady(220.0, 0.96, RATE_HZ), RATE_HZ)
    tonal = np.concatenate([f.f0_hz for f in tracked(with_noise(sound, -50.0), "viola")])
    assert np.isnan(noise).all()
    assert not np.isnan(tonal[SETTLE_HOPS:]).any()


def test_frames_are_centred_on_what_they_describe() -> None:
    # a glide of 2,400 cents a second: an error of 1 ms in time would read as 2.4 cents
    time_s = np.arange(int(1.2 * RATE_HZ)) / RATE_HZ
    sound = tone(np.asarray(440.0 * 2 ** (2 * (time_s - 0.6))), RATE_HZ)
    for frames in tracked(sound, "violin"):
        centre_s = (frames.hop + np.arange(HOPS) + 0.5) * 0.01
        inside = (centre_s > 0.4) & (centre_s < 0.8)
        read = 1200 * np.log2(frames.f0_hz[inside] / 440.0)
        assert np.abs(read - 2400 * (centre_s[inside] - 0.6)).max(initial=0.0) < 24.0


def two_strings(low_hz: float, high_hz: float, below_db: float) -> Audio:
    seconds = 1.5
    low, high = (tone(steady(hz, seconds, RATE_HZ), RATE_HZ) for hz in (low_hz, high_hz))
    return with_noise(low + 10 ** (-below_db / 20) * high, -80.0)


@pytest.mark.parametrize("semitones", [4, 5, 8, 9])
def test_a_softer_string_above_the_lowest_is_seen(semitones: int) -> None:
    """Partials of F1 are 44 Hz apart: a window that follows slides cannot tell what lies there."""
    low_hz = 43.654
    high_hz = low_hz * 2 ** (semitones / 12)
    frames = tracked(two_strings(low_hz, high_hz, below_db=9.0), "double-bass")
    second = np.concatenate([f.second_hz for f in frames])[SETTLE_HOPS:]
    db = np.concatenate([f.second_db for f in frames])[SETTLE_HOPS:]
    near = np.abs(off_octave(1200 * np.log2(second / high_hz))) < 50.0
    assert np.mean(near & (db > BELOW_DB)) > 0.8


def test_winds_have_one_tone() -> None:
    frames = tracked(two_strings(110.0, 138.59, below_db=3.0), "trombone")
    assert np.all(np.isnan(np.concatenate([f.second_hz for f in frames])))
